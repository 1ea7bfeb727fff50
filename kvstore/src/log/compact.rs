//! Compaction: the spare is erased, takes the tail's live records and the new changes, and becomes
//! the head.
//!
//! Until the sector before has decided so, the new sector does not count, and a cut costs only the
//! erase. Then the tail is retired, if the log had grown to all sectors but one.

use embedded_storage::nor_flash::NorFlash;

use super::append::Content;
use super::log_end::{LogEnd, Suspect};
use super::state::{Core, Spare};
use crate::change::{Change, counted};
use crate::error::Fault;
use crate::flash::reader::{KeyBytes, Place};
use crate::flash::writer::Copied;
use crate::format::bytes::copy;
use crate::format::crc::crc32c;
use crate::format::geometry::Live;
use crate::format::opening::Opening;
use crate::format::record::{Header, Kind, RecordRef};
use crate::format::slot::Decision;
use crate::index::Index;

/// The slot of the sector before that is to decide about a new one.
#[derive(Clone, Copy)]
pub(crate) struct DecidingSlot {
    number: u32,
    /// Its tag is programmed.
    begun: bool,
    /// The first free slot of the new sector.
    first: u32,
}

impl<F: NorFlash> Core<F> {
    /// Makes the spare the new head, and writes `changes` into it.
    // Outlined, since several callers share it.
    #[inline(never)]
    pub(crate) fn compact(&mut self, changes: &[Change<'_>], index: &mut Index) {
        self.compact_with(changes, &LogEnd::at(self.log_end()), index);
    }

    /// Makes the spare the new head. `changes` are written into it, and a mount's suspect. If the
    /// suspect does not pass its checks when it is copied, the new sector does not count.
    // Outlined, since several callers share it.
    #[inline(never)]
    pub(crate) fn compact_with(
        &mut self,
        changes: &[Change<'_>],
        log_end: &LogEnd,
        index: &mut Index,
    ) -> Copied {
        let end = self.log.end;
        self.prepare_spare(log_end, index);
        // What that appended counts, too.
        let accepted = if self.log.end == end { log_end.accepted } else { self.log_end() };
        let tail = self.log.tail;
        let retires = self.log_is_long();
        let slot = self.begin_sector();
        // First, since bits of the suspect may read differently each time: what counts is the copy.
        if let Some(suspect) = &log_end.suspect
            && self.carry_suspect(suspect, index) == Copied::Damaged
        {
            return Copied::Damaged;
        }
        if retires {
            self.carry_tail(tail, changes, index);
        }
        for change in counted(changes) {
            let header = change.header(false);
            let found = if !retires || self.outlives(change, tail, index) {
                self.place_or_give_up(header, &Content::of(change))
            } else {
                RecordRef { address: self.log.end, header }
            };
            if self.medium.fault.is_none() {
                self.apply_change(found, change.key(), index);
            }
        }
        let tail = if retires { tail + 1 } else { tail };
        self.finish_sector(tail, accepted, slot);
        if self.medium.fault.is_none() {
            self.sum_live(index);
        }
        Copied::Whole
    }

    /// Writes a record, and ends the call if the sector does not take it.
    pub(crate) fn place_or_give_up(&mut self, header: Header, content: &Content<'_>) -> RecordRef {
        self.place_record(header, content).unwrap_or_else(|| {
            self.medium.give_up();
            RecordRef { address: self.base(self.log.head), header }
        })
    }

    /// Writes a suspect again, or the whole batch if it is a commit, and lets the copy take effect.
    fn carry_suspect(&mut self, suspect: &Suspect, index: &mut Index) -> Copied {
        let is_batch = suspect.found.header.kind() == Kind::Commit;
        let whole = self.each_change(suspect, &mut |core, found, key| {
            let place = Place { proven: is_batch, ..core.place_at(found.address) };
            let content = Content::Copy(place, found.header);
            let Some(copy) = core.place_record(found.header.plain(), &content) else {
                return false;
            };
            core.apply_change(copy, key, index);
            true
        });
        if whole {
            return Copied::Whole;
        }
        if is_batch {
            self.medium.give_up();
        }
        Copied::Damaged
    }

    /// Copies the tail's live records that `changes` do not replace.
    pub(crate) fn carry_tail(&mut self, tail: u32, changes: &[Change<'_>], index: &mut Index) {
        for position in 0..index.len() {
            let Some(&entry) = index.get(position) else { break };
            if self.is_in(entry.address, tail)
                && !self.is_replaced(entry.hash, entry.address, changes)
                && self.medium.fault.is_none()
            {
                let address = self.carry(entry.address, entry.hash);
                // After a failure, reads still find the record of the tail.
                if self.medium.fault.is_none()
                    && let Some(entry) = index.get_mut(position)
                {
                    entry.address = address;
                }
            }
        }
    }

    /// Copies a live record of the tail, and returns the address of its copy. Of a damaged record,
    /// or one that does not pass when it is copied, only the key is kept.
    // Outlined, since its frame is not needed afterwards.
    #[inline(never)]
    fn carry(&mut self, address: u32, hash: u32) -> u32 {
        let mut key: KeyBytes = [0; _];
        let place = self.place_at(address);
        let examined = self.read_key(&place, &mut key);
        if let Some(examined) = examined
            && examined.whole
            && self.has_value(&place, examined.found)
        {
            let header = examined.found.header;
            let content = Content::Copy(place, header);
            if let Some(copy) = self.place_record(header.plain(), &content) {
                return copy.address;
            }
        }
        self.count_damage();
        let len = examined.map_or(0, |examined| examined.found.header.key_len());
        let key = key.get(..len as usize).unwrap_or(&[]);
        if crc32c(key) != hash || self.medium.fault.is_some() {
            // The old place will hold other records. At the start of a sector there is never a
            // header, so the key stays damaged.
            return self.base(self.log.head);
        }
        let header = Header::new(Kind::Lost, len, 1);
        self.place_or_give_up(header, &Content::New(key, &[0])).address
    }

    /// Whether the value of a record that passes its checks can be read: that of a tally only if
    /// its cells were cleared in order.
    #[cfg(feature = "counters")]
    fn has_value(&mut self, place: &Place, found: RecordRef) -> bool {
        let mut key: KeyBytes = [0; _];
        found.header.kind() != Kind::Tally || self.medium.tally(place, &mut key).is_some()
    }

    #[cfg(not(feature = "counters"))]
    #[expect(clippy::unused_self, reason = "as with counters")]
    const fn has_value(&self, _: &Place, _: RecordRef) -> bool {
        true
    }

    /// Starts a new, empty log in the spare. This is atomic: the decision makes it count.
    pub(crate) fn restart(&mut self, index: &mut Index) {
        self.wake(index);
        self.prepare_spare(&LogEnd::at(self.log.end), index);
        let accepted = self.log_end();
        let slot = self.begin_sector();
        self.log.epoch = self.log.epoch.wrapping_add(1);
        self.finish_sector(self.log.head, accepted, slot);
        if self.medium.fault.is_none() {
            self.forget_live();
            index.clear();
            self.ready_spare(index);
        } else {
            // What is stored can still be read.
            self.log.epoch = self.log.epoch.wrapping_sub(1);
        }
    }

    /// Makes the spare, which must be erased, the head.
    pub(crate) fn begin_sector(&mut self) -> DecidingSlot {
        if !self.medium.geometry.may_follow(self.generation(self.log.head)) {
            self.medium.fault.get_or_insert(Fault::Full);
        }
        // Before anything is programmed in the spare, so that no spare record counts any more.
        let is_noted = self.log.spare != Spare::Erased;
        let begun = is_noted && self.begin_slot(self.slot_limit(Decision::In));
        let number = core::mem::take(&mut self.log.slot);
        self.log.spare = Spare::Unknown;
        self.log.head = self.next_head();
        self.log.end = self.base(self.log.head) + self.medium.geometry.first_record();
        if is_noted && !begun {
            // A spare that does not read blank is not used.
            self.begin_slot(1);
        }
        DecidingSlot { number, begun, first: core::mem::take(&mut self.log.slot) }
    }

    /// The address of the first free slot of the head.
    const fn slot_at(&self) -> u32 {
        self.base(self.log.head) + self.medium.geometry.slot(self.log.slot)
    }

    /// How many slots of a sector may hold a decision. The last one is kept for a decision that the
    /// sector that follows does not count, so that no decision that it does is the last word for
    /// want of a slot.
    pub(crate) const fn slot_limit(&self, decision: Decision) -> u32 {
        let slots = self.medium.geometry.slots();
        if matches!(decision, Decision::In | Decision::Over) { slots - 1 } else { slots }
    }

    /// Begins the first free slot of the head, or a later one if that is damaged or does not take it.
    /// Returns whether there was one before the slot `limit`.
    fn begin_slot(&mut self, limit: u32) -> bool {
        while self.log.slot < limit {
            let len = self.medium.geometry.unit + self.medium.geometry.word_area();
            if self.medium.zero_unit_of_blank(self.slot_at(), len) {
                return true;
            }
            self.log.slot += 1;
        }
        false
    }

    /// Programs a decision into the first free slot of the head, which may be begun already, or a
    /// later one if that does not take it. Returns whether there was one.
    // Outlined, since it is called from several places.
    #[inline(never)]
    pub(crate) fn decide(&mut self, decision: Decision, mut begun: bool) -> bool {
        let limit = self.slot_limit(decision);
        while self.log.slot < limit && (begun || self.begin_slot(limit)) {
            let mut word = [0xFF; 32];
            copy(&mut word, &decision.word(self.log.head, self.log.slot).to_le_bytes());
            let len = self.medium.geometry.word_area() as usize;
            let word_at = self.slot_at() + self.medium.geometry.unit;
            self.medium.program(word_at, word.get(..len).unwrap_or(&word));
            self.log.slot += 1;
            begun = false;
            if !self.medium.take_refused() {
                return true;
            }
        }
        false
    }

    /// Decides, in the first free slot of the sector before, that a sector counts. Returns whether
    /// there was a slot.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn decide_about(&mut self, opening: &Opening, begun: bool) -> bool {
        let decision = if opening.passed_over { Decision::Over } else { Decision::In };
        let head = core::mem::replace(&mut self.log.head, opening.before());
        let decided = self.decide(decision, begun);
        self.log.head = head;
        self.log.slot = 0;
        decided
    }

    /// Writes the opening, twice, and then lets the sector before decide that this one counts.
    /// `accepted` is the address where the accepted log ends there.
    pub(crate) fn finish_sector(&mut self, tail: u32, accepted: u32, slot: DecidingSlot) {
        let base = self.base(self.log.head);
        let opening = Opening {
            generation: self.generation(self.log.head),
            older: self.log.head - tail,
            previous_end: self.medium.geometry.offset_of(accepted),
            proven_end: self.log.end - base,
            slot_bound: slot.number,
            passed_over: self.log.passed_over,
        };
        let bytes = opening.encode(&self.medium.geometry.opening_start());
        self.medium.program(base, &bytes);
        let first_refused = self.medium.take_refused();
        self.medium.program(base + self.medium.geometry.records_end(), &bytes);
        if self.medium.take_refused() && first_refused {
            self.medium.give_up();
        }
        self.log.slot = slot.number;
        let decided = self.decide_about(&opening, slot.begun);
        self.log.slot = slot.first;
        self.log.before = opening.before();
        self.log.passed_over = false;
        self.log.retired = false;
        self.log.tail = tail;
        // Begun when the decision is complete, so no later mount can doubt that. If no slot took it,
        // the seal decides by itself: see the known limit in `FORMAT.md`.
        self.log.sure = self.append_seal();
        if !decided && !self.log.sure {
            self.medium.give_up();
        }
    }

    /// How many compactions must come before one that has room for `changes`. `None` if the store
    /// is full.
    pub(crate) fn compactions_needed(
        &mut self,
        changes: &[Change<'_>],
        load: Live,
        index: &Index,
    ) -> Option<u32> {
        if !self.log_is_long() {
            return self.medium.geometry.fits(load).then_some(0);
        }
        for compactions in 0..=self.log.head - self.log.tail {
            let sequence = self.log.tail + compactions;
            let mut sum = self.live_in(sequence, index, changes);
            for change in counted(changes) {
                if self.outlives(change, sequence, index) {
                    sum = sum.plus(self.medium.geometry.size(change.header(false)));
                }
            }
            if self.medium.geometry.fits(sum) {
                return Some(compactions);
            }
        }
        None
    }
}
