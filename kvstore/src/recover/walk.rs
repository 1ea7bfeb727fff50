//! The walk over a sector, which finds the records that count.
//!
//! A walk steps from record to record and checks each of them whole. A settle record says how much
//! of what comes before it is accepted, so it is found before the walk gets there. In the head, the
//! walk ends at the first place without a record that passes.

use embedded_storage::nor_flash::NorFlash;

use super::settle_record::{Rulers, Settle};
#[cfg(not(feature = "counters"))]
use crate::error::Fault;
use crate::flash::reader::{Examined, KeyBytes, Place};
use crate::format::bytes::copy;
use crate::format::check::Check;
use crate::format::generation::Generation;
use crate::format::record::{Header, Kind, RecordRef};
use crate::format::spare_note::SpareNote;
use crate::index::Index;
use crate::log::log_end::{LogEnd, Suspect};
use crate::log::lookup::Value;
use crate::log::state::Core;

/// What a replay found out about the end of the log.
#[derive(Clone, Copy)]
pub(crate) struct Replayed {
    pub(crate) log_end: LogEnd,
    /// How many slots of the head are void.
    pub(crate) void_slots: u32,
    /// What the last record that says anything about the spare says.
    pub(crate) spare: SpareNote,
    /// The rest record that ends the log, if it rests: its flag and all after it are blank.
    pub(crate) rest: Option<RecordRef>,
}

impl Replayed {
    pub(crate) const NONE: Self =
        Self { log_end: LogEnd::at(u32::MAX), void_slots: 0, spare: SpareNote::NONE, rest: None };
}

/// Where a walk stands. Places are addresses.
pub(crate) struct Walk {
    pub(crate) sequence: u32,
    /// The next place.
    pub(crate) at: u32,
    /// Where the walk ends at the latest.
    pub(crate) limit: u32,
    /// Records before this address are known to have been finished.
    pub(crate) proven: u32,
    /// The settle record up to whose accepted end the walk goes.
    pub(crate) settle: Option<Settle>,
    pub(crate) rulers: Rulers,
    /// Where the pending records that end right before the place begin.
    pub(crate) batch: u32,
    /// Records before this address were written before the opening, so the log does not end there.
    first: u32,
    /// What was found out about the end of the log up to now.
    pub(crate) replayed: Replayed,
}

impl Walk {
    pub(crate) const fn new() -> Self {
        Self {
            sequence: 0,
            at: 0,
            limit: 0,
            proven: 0,
            settle: None,
            rulers: Rulers::NONE,
            batch: 0,
            first: 0,
            replayed: Replayed::NONE,
        }
    }

    /// Notes what the last record that was met says about the end of the log.
    const fn note_end(&mut self, address: u32, log_end: LogEnd) {
        if address >= self.first {
            self.replayed.log_end = log_end;
        }
    }
}

impl<F: NorFlash> Core<F> {
    /// Walks a sector up to the address `limit`, and lets what it meets take effect. Records before
    /// the offset `proven` were finished.
    pub(crate) fn walk(
        &mut self,
        sequence: u32,
        proven: u32,
        limit: u32,
        walk: &mut Walk,
        index: &mut Index,
    ) {
        let base = self.base(sequence);
        *walk = Walk::new();
        walk.sequence = sequence;
        walk.at = base + self.medium.geometry.first_record();
        walk.batch = walk.at;
        walk.limit = limit;
        walk.proven = base + proven;
        walk.first = walk.proven;
        self.find_ruling(walk);
        while self.medium.fault.is_none() && self.step(walk, index) {}
    }

    /// Finds the settle record that rules at the walk's place.
    pub(crate) fn find_ruling(&mut self, walk: &mut Walk) {
        let generation = self.generation(walk.sequence);
        walk.settle = self.medium.ruling_settle(walk.at, walk.limit, generation, &mut walk.rulers);
    }

    /// Goes on to the next record, and returns whether there was one.
    fn step(&mut self, walk: &mut Walk, index: &mut Index) -> bool {
        let bound = walk.settle.map_or(walk.limit, |settle| settle.accepted);
        if walk.at >= bound {
            let Some(settle) = &walk.settle else { return false };
            self.pass_settle(&settle.clone(), walk, index);
            return true;
        }
        let mut key: KeyBytes = [0; _];
        let examined = self.next_record(walk, bound, &mut key);
        let Some(Examined { found, whole }) = examined else {
            return self.skip_damage(walk, bound);
        };
        let kind = found.header.kind();
        // Without the feature, the check of a tally includes its cells, so a tally never passes.
        #[cfg(not(feature = "counters"))]
        if kind == Kind::Tally {
            self.medium.fault = Some(Fault::Counters);
            return false;
        }
        // A settle record that is met as a record did not read as whole when it was looked for.
        let whole = whole && kind != Kind::Settle;
        let record = Suspect::new(found, walk.batch);
        let key = key.get(..found.header.key_len() as usize).unwrap_or(&[]);
        if whole {
            let end = self.medium.geometry.end(found);
            if self.medium.has_fix(found.address, end) {
                self.log.repaired = self.log.repaired.saturating_add(1);
            }
            // Pending records count only with their commit; those without a key have done their
            // work.
            let suspect =
                matches!(kind, Kind::Tally | Kind::Put | Kind::Delete | Kind::Commit | Kind::Lost)
                    .then_some(record);
            let next_suspect = match suspect {
                None => walk.replayed.log_end.suspect,
                Some(_) => None,
            };
            let log_end = LogEnd {
                suspect,
                next_suspect,
                without_suspect: found.address,
                ..LogEnd::at(found.address)
            };
            walk.note_end(found.address, log_end);
            walk.replayed.rest = (kind == Kind::Rest).then_some(found);
            // Even if it is a ghost: it was begun when the erase was complete.
            if let Some(note) = SpareNote::of_header(found.header) {
                walk.replayed.spare = note;
            }
        } else if walk.at >= walk.proven && walk.settle.is_none() {
            // The last record of the head may be torn; all others were finished.
            return self.find_later_record(walk);
        } else {
            self.damaged_record(found, key, index);
        }
        match kind {
            // If it is damaged, the other records of its batch count all the same, and it needs no
            // value for that.
            Kind::Commit => self.apply(&record, index),
            Kind::Put | Kind::Delete | Kind::Tally | Kind::Lost if whole => {
                self.apply_change(found, key, index);
            }
            _ => {}
        }
        walk.at = self.medium.geometry.next_place(found);
        if !kind.is_pending() {
            walk.batch = walk.at;
        }
        true
    }

    /// Goes on after a settle record, up to whose accepted end the walk came.
    fn pass_settle(&mut self, settle: &Settle, walk: &mut Walk, index: &mut Index) {
        let Settle { found, accepted, note, carried: suspect } = *settle;
        if let Some(carried) = &suspect {
            self.apply(carried, index);
        }
        walk.replayed.void_slots = walk.replayed.void_slots.max(note.slots);
        walk.replayed.spare = note;
        walk.replayed.rest = None;
        let mut log_end = LogEnd { suspect, ..LogEnd::at(accepted) };
        if suspect.is_some() {
            log_end.without_suspect = self.medium.geometry.page_of(found.address);
        }
        walk.note_end(found.address, log_end);
        walk.at = self.medium.geometry.next_place(found);
        walk.batch = walk.at;
        self.find_ruling(walk);
    }

    /// Reads the record at the walk's place and its key. Passes over a rest record that cannot be
    /// read. If a record that passes follows one that does not, the first one was finished too.
    // Outlined, since its frame and that of applying a record are not needed together.
    #[inline(never)]
    pub(crate) fn next_record(
        &mut self,
        walk: &mut Walk,
        bound: u32,
        key: &mut KeyBytes,
    ) -> Option<Examined> {
        let generation = self.generation(walk.sequence);
        let proven = walk.settle.is_some() || walk.at < walk.proven;
        let mut place = Place { address: walk.at, limit: bound, generation, proven };
        let mut examined = self.read_key(&place, key);
        if examined.is_none_or(|examined| !examined.whole)
            && let Some(next) = self.after_torn_rest(&place)
            && (proven && next == bound
                || self.medium.has_record(&Place { address: next, ..place }))
        {
            place.address = next;
            (walk.at, walk.batch) = (next, next);
            examined = self.read_key(&place, key);
        }
        if let Some(Examined { found, whole: false }) = examined
            && !proven
        {
            let next = Place { address: self.medium.geometry.next_place(found), ..place };
            if self.medium.has_record(&next) {
                walk.proven = next.address;
                place.proven = true;
                examined = self.read_key(&place, key);
            }
        }
        examined
    }

    /// Whether a record that passes stands at this address, or after a torn rest record there.
    // Outlined, since its frame is not needed afterwards.
    #[inline(never)]
    pub(crate) fn record_follows(&mut self, place: &Place) -> bool {
        self.medium.has_record(place)
            || self
                .after_torn_rest(place)
                .is_some_and(|address| self.medium.has_record(&Place { address, ..*place }))
    }

    /// The place after a rest record that was interrupted, read as whole, and does not now.
    ///
    /// A mount that found such a record programmed its flag, and went on right after that.
    pub(crate) fn after_torn_rest(&mut self, place: &Place) -> Option<u32> {
        let found = match self.medium.header(place.address, place.limit) {
            Some(found) if found.header.kind() == Kind::Rest => found,
            _ => self.torn_rest(place)?,
        };
        let (flag, unit) = (self.medium.geometry.end(found), self.medium.geometry.unit);
        if flag + unit > place.limit || self.medium.is_blank(flag, flag + unit) {
            return None;
        }
        Some(self.medium.geometry.next_place(found))
    }

    /// The rest record whose header cannot be read: what stands in its place must be that record,
    /// except for some zeros that are missing. It lies in one page; if it did not, its header would
    /// have been finished before its end was begun.
    // Outlined, since its frame is not needed afterwards.
    #[inline(never)]
    fn torn_rest(&mut self, place: &Place) -> Option<RecordRef> {
        let g = self.medium.geometry;
        let found = RecordRef { address: place.address, header: Header::REST };
        if g.rest_header(found.address) != Header::REST || g.end(found) > place.limit {
            return None;
        }
        let len = (g.end(found) - found.address) as usize;
        let (mut bytes, mut wanted) = ([0; 32], [0xFF; 32]);
        let bytes = bytes.get_mut(..len)?;
        self.medium.read_readable(found.address, bytes);
        copy(&mut wanted, found.header.encode().get(..g.header() as usize)?);
        let (body, trailer) = wanted.split_at_mut_checked(len - g.trailer() as usize)?;
        let mut check = Check::new(place.generation, g.offset_of(found.address));
        check.update(body);
        copy(trailer, &check.trailer(g.trailer()).to_le_bytes());
        let fits = bytes.iter().zip(&wanted).all(|(read, wanted)| !read & wanted == 0);
        fits.then_some(found)
    }

    /// Where a record should stand and none can be read: goes on at the next place where one
    /// passes.
    // Outlined, since it is rarely needed.
    #[inline(never)]
    pub(crate) fn skip_damage(&mut self, walk: &mut Walk, bound: u32) -> bool {
        let bound = if walk.settle.is_some() { bound } else { bound.min(walk.proven) };
        if walk.at >= bound {
            // After a torn rest record, what is accepted may end.
            return walk.settle.is_some() || self.find_later_record(walk);
        }
        let from = walk.at + self.medium.geometry.unit;
        let found = self.find_record(self.generation(walk.sequence), from, bound, bound);
        let next = found.unwrap_or_else(|| self.medium.geometry.place(bound));
        self.skip_to(walk, next);
        true
    }

    /// Goes on at the next record of the head that passes. If there is none, this is the end of the
    /// log.
    ///
    /// If the record at the walk's place is torn, then nothing follows it but blank bytes and pages
    /// that interrupted mounts took. A record that passes anywhere else shows that the place is
    /// damaged instead.
    // Outlined, since it is rarely needed.
    #[inline(never)]
    pub(crate) fn find_later_record(&mut self, walk: &mut Walk) -> bool {
        let generation = self.generation(walk.sequence);
        let Some(found) = self.later_record(walk.at, walk.limit, generation) else { return false };
        walk.proven = found;
        self.skip_to(walk, found);
        true
    }

    /// The first record of the log, after what stands at a place, that passes.
    // Outlined, since it is rarely needed.
    #[inline(never)]
    pub(crate) fn later_record(
        &mut self,
        at: u32,
        limit: u32,
        generation: Generation,
    ) -> Option<u32> {
        let g = self.medium.geometry;
        let mut from = match self.medium.header(at, limit) {
            // It was the settle record of an interrupted mount.
            _ if g.is_first_in_page(at) && self.medium.is_taken(g.page_of(at)) => at,
            Some(torn) => g.next_place(torn),
            None => at + g.unit,
        };
        while from < limit {
            if g.is_first_in_page(from) {
                from = g.page_of(from);
            }
            if from == g.page_of(from) {
                // A record that an interrupted settle record carries is none of the log.
                if self.medium.is_taken(from) {
                    from = match self.medium.header(from + g.unit, limit) {
                        Some(torn) if torn.header.kind() == Kind::Settle => g.next_place(torn),
                        _ => from + g.page,
                    };
                    continue;
                }
            }
            let end = limit.min(g.next_page(from));
            if !self.medium.is_blank(from, end)
                && let Some(found) = self.find_record(generation, from, end, limit)
            {
                return Some(found);
            }
            from = end;
        }
        None
    }

    /// The first place from `from` up to `to` where a record passes that ends at `limit` or before.
    fn find_record(
        &mut self,
        generation: Generation,
        from: u32,
        to: u32,
        limit: u32,
    ) -> Option<u32> {
        let mut address = self.medium.geometry.place(from);
        while address < to {
            let place = Place { address, limit, generation, proven: true };
            if self.medium.header(address, limit).is_some() && self.medium.has_record(&place) {
                return Some(address);
            }
            address = self.medium.geometry.place(address + self.medium.geometry.unit);
        }
        None
    }

    /// Goes on at a later address. What stands before it is damaged, and may have been the newest
    /// record of any key.
    fn skip_to(&mut self, walk: &mut Walk, address: u32) {
        self.count_damage();
        self.note_doubt(walk.at);
        walk.at = address;
        walk.batch = address;
    }

    /// Records damage to a record that can be taken for its key's newest one, if the key is known.
    fn damaged_record(&mut self, found: RecordRef, key: &[u8], index: &mut Index) {
        self.count_damage();
        self.note_doubt(found.address);
        if matches!(found.header.kind(), Kind::Put | Kind::PendingPut | Kind::Lost | Kind::Tally)
            && let (Some(position), _) = self.position(key, index, &mut Value::Ignore)
            && let Some(entry) = index.get_mut(position)
        {
            entry.address = found.address;
        }
    }

    /// Settings whose newest record is older than this address are in doubt.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    fn note_doubt(&mut self, address: u32) {
        let sequence = self.generation_at(address).sequence;
        self.log.doubt = (sequence, self.medium.geometry.offset_of(address));
    }
}
