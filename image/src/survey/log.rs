//! The sectors of the log, walked in their order: the chapter "Mounting" of `kvstore/FORMAT.md`.

use outlast_kvstore::inspect::{Event, Record, RecordKind, SectorInfo, Settle, Successor};

use super::data::Survey;
use super::entry::{Entry, State, Void};
use super::finding::Kind;

/// A record whose effect depends on whether another one follows it.
struct Held {
    number: usize,
    effect: Effect,
}

/// What takes effect with a record.
enum Effect {
    /// The record itself, or these records of its batch if it is a commit.
    Own(Vec<usize>),
    /// The copy that a settle record carries.
    Carried(Option<usize>),
    /// It is damaged. If it is a commit, these other records of its batch count.
    Damaged(Vec<usize>),
}

impl Survey<'_> {
    /// Walks a sector of the log and lets its records take effect.
    pub(super) fn walk_log(&mut self, sequence: u32, head: SectorInfo, keeps_last: bool) {
        let region = self.region;
        let sector = sequence % region.shape().sectors;
        let generation = (head.epoch, sequence);
        let is_head = sequence == head.sequence;
        let limit = if is_head {
            region.records_end_offset()
        } else {
            match region.successor(&head, sequence) {
                Successor::Known(next) => next.previous_end,
                Successor::Unknown => region.records_end_offset(),
                Successor::PassedOver => return,
            }
        };
        let proven = if is_head { head.proven_end } else { limit };
        let mut events = Vec::new();
        let stop =
            region.walk(sector, generation, (proven, limit), &mut |event| events.push(event));
        let mut last = None;
        let mut batch = Vec::new();
        for event in events {
            let held = match event {
                Event::Record(record, passes) => {
                    let is_note = matches!(record.kind, RecordKind::Spare | RecordKind::SpareOver);
                    if is_head && passes && is_note {
                        // Slots that were begun before that are accounted for.
                        self.decided = self.decided.max(record.value_bytes);
                    }
                    self.add_record(record, generation, passes, &mut batch)
                }
                Event::Settled(record, settle) => {
                    batch.clear();
                    if is_head {
                        self.decided = self.decided.max(settle.decided);
                    }
                    self.add_settle(record, settle, generation)
                }
                Event::TornRest(_) => {
                    batch.clear();
                    continue;
                }
                Event::Skipped(from, _) => {
                    batch.clear();
                    self.note(Kind::Unreadable, from, Vec::new());
                    continue;
                }
            };
            if let Some(before) = last.replace(held) {
                self.apply(&before);
            }
        }
        if is_head {
            self.decide_end(last, head, keeps_last);
            self.look_after_end(stop, generation);
        } else if let Some(last) = last {
            self.apply(&last);
        }
        let end = self.base(sector) + region.records_end_offset();
        let why = if is_head { Void::Torn } else { Void::PastEnd };
        let end = self.add_void((stop, end), generation, why);
        if let Some(sector) = self.sectors.get_mut(sector as usize) {
            sector.end = end;
        }
    }

    /// Adds a record that a walk met. `batch` are the pending records right before it.
    fn add_record(
        &mut self,
        record: Record,
        generation: (u32, u32),
        passes: bool,
        batch: &mut Vec<usize>,
    ) -> Held {
        // A tally whose cells are out of order counts, although its count cannot be read.
        let is_whole = passes || self.region.trailer_is_right(&record, generation.0, generation.1);
        let kind = record.kind;
        let number = self.add(record, generation, passes, State::Void(Void::NoCommit), None);
        let pending = matches!(kind, RecordKind::PendingPut | RecordKind::PendingDelete);
        // A damaged record of a batch costs only itself.
        let own = if pending { Vec::new() } else { std::mem::take(batch) };
        if is_whole && pending {
            batch.push(number);
        }
        Held { number, effect: if is_whole { Effect::Own(own) } else { Effect::Damaged(own) } }
    }

    /// Adds a settle record, what it makes void, and the copy that it carries.
    fn add_settle(&mut self, record: Record, settle: Settle, generation: (u32, u32)) -> Held {
        let address = record.address;
        let page = address - self.region.shape().unit;
        self.add_void((settle.accepted_end, page), generation, Void::NotAccepted(address));
        let number = self.add(record, generation, true, State::InForce, None);
        let carried = settle.carried.map(|carried| {
            let passes = self.region.passes(&carried, generation.0, generation.1);
            self.add(carried, generation, passes, State::Void(Void::NoCommit), Some(number))
        });
        Held { number, effect: Effect::Carried(carried) }
    }

    /// Adds the records between two addresses that can be read: consecutive ones from the first
    /// address on, and those in pages that mounts took. Returns the end of the consecutive ones.
    pub(super) fn add_void(
        &mut self,
        (from, to): (u32, u32),
        generation: (u32, u32),
        why: Void,
    ) -> u32 {
        let region = self.region;
        let end = self.add_chain(from, to, generation, why);
        let sector = from / region.shape().sector_bytes;
        for page in region.taken_pages(sector).filter(|page| (end..to).contains(page)) {
            let place = page + region.shape().unit;
            if !self.by_address.contains_key(&place) {
                self.add_chain(place, to, generation, why);
            }
        }
        end
    }

    /// Adds the consecutive records from `at` on.
    fn add_chain(&mut self, mut at: u32, to: u32, generation: (u32, u32), why: Void) -> u32 {
        while at < to
            && let Some(record) = self.region.record(at, to)
        {
            at = self.region.place_after(&record);
            if self.by_address.contains_key(&record.address) {
                continue;
            }
            let passes = self.region.passes(&record, generation.0, generation.1);
            let carried = self.region.settle(&record).and_then(|settle| settle.carried);
            let number = self.add(record, generation, passes, State::Void(why), None);
            if let Some(carried) = carried {
                let passes = self.region.passes(&carried, generation.0, generation.1);
                let why = match why {
                    Void::NotAccepted(settle) => Void::HandedOn(settle),
                    other => other,
                };
                self.add(carried, generation, passes, State::Void(why), Some(number));
            }
        }
        at
    }

    /// Lets a record take effect.
    fn apply(&mut self, held: &Held) {
        match &held.effect {
            Effect::Own(batch) => self.apply_record(held.number, batch),
            Effect::Carried(Some(carried)) => {
                let Some(entry) = self.records.get(*carried) else { return };
                let batch = match entry.record.kind {
                    RecordKind::Commit => self.named_by(*carried),
                    _ => Vec::new(),
                };
                self.apply_record(*carried, &batch);
            }
            Effect::Carried(None) => {}
            Effect::Damaged(batch) => {
                self.apply_damaged(held.number);
                let is_commit = |entry: &&Entry| entry.record.kind == RecordKind::Commit;
                if self.records.get(held.number).filter(is_commit).is_some() {
                    self.apply_batch(batch);
                }
            }
        }
    }

    fn apply_record(&mut self, number: usize, batch: &[usize]) {
        let Some(entry) = self.records.get(number) else { return };
        match entry.record.kind {
            RecordKind::Put | RecordKind::Tally | RecordKind::Delete | RecordKind::Lost => {
                self.apply_change(number);
            }
            RecordKind::Commit => {
                self.set(number, State::InForce);
                self.apply_batch(batch);
            }
            RecordKind::Seal
            | RecordKind::Settle
            | RecordKind::Rest
            | RecordKind::Spare
            | RecordKind::SpareOver => {
                self.set(number, State::InForce);
            }
            RecordKind::PendingPut | RecordKind::PendingDelete => {}
        }
    }

    /// Lets the records of a batch take effect, deletes first.
    fn apply_batch(&mut self, batch: &[usize]) {
        for kind in [RecordKind::PendingDelete, RecordKind::PendingPut] {
            for number in batch {
                if self.records.get(*number).is_some_and(|it| it.record.kind == kind) {
                    self.apply_change(*number);
                }
            }
        }
    }

    /// The records of the batch that a carried commit names.
    fn named_by(&mut self, commit: usize) -> Vec<usize> {
        let Some(entry) = self.records.get(commit) else { return Vec::new() };
        let (mut at, end) = self.region.extent(&entry.record);
        let generation = entry.generation;
        let limit = self.base(entry.sector) + self.region.records_end_offset();
        let mut batch = Vec::new();
        while at < end {
            let Some((record, passes)) = self.region.examine(at, limit, generation, true) else {
                self.note(Kind::Unreadable, at, Vec::new());
                break;
            };
            at = self.region.place_after(&record);
            let number = match self.by_address.get(&record.address) {
                Some(number) => *number,
                None => self.add(record, generation, passes, State::Void(Void::NoCommit), None),
            };
            if passes {
                batch.push(number);
            } else {
                self.apply_damaged(number);
            }
        }
        batch
    }

    fn apply_change(&mut self, number: usize) {
        let Some(entry) = self.records.get(number) else { return };
        let key = entry.record.key.clone();
        let puts = matches!(
            entry.record.kind,
            RecordKind::Put | RecordKind::Tally | RecordKind::PendingPut | RecordKind::Lost
        );
        let old = [self.live.remove(&key), self.deletes.remove(&key)];
        for old in old.into_iter().flatten() {
            self.set(old, State::Replaced(number));
        }
        if puts {
            self.live.insert(key, number);
            self.set(number, State::Live);
        } else {
            self.deletes.insert(key, number);
            self.set(number, State::InForce);
        }
    }

    /// A damaged record can be the newest of a key only if that key is known: its name may be wrong
    /// too.
    fn apply_damaged(&mut self, number: usize) {
        let Some(entry) = self.records.get(number) else { return };
        let puts = matches!(
            entry.record.kind,
            RecordKind::Put | RecordKind::PendingPut | RecordKind::Tally | RecordKind::Lost
        );
        if puts && self.live.contains_key(&entry.record.key) {
            self.apply_change(number);
        } else {
            self.set(number, State::Void(Void::Damaged));
        }
    }

    /// Decides about the last record of the head, which may have been interrupted.
    fn decide_end(&mut self, last: Option<Held>, head: SectorInfo, keeps_last: bool) {
        let Some(held) = last else { return };
        let proven = self.base(head.sequence % self.region.shape().sectors) + head.proven_end;
        let Some(entry) = self.records.get(held.number) else { return };
        let (address, kind) = (entry.record.address, entry.record.kind);
        self.resting = kind == RecordKind::Rest && self.rests(held.number);
        let suspect = match &held.effect {
            _ if address < proven => None,
            Effect::Own(_) => Some(held.number),
            Effect::Carried(carried) => *carried,
            Effect::Damaged(_) => None,
        };
        let copied = suspect.and_then(|number| self.records.get(number)).filter(|entry| {
            matches!(
                entry.record.kind,
                RecordKind::Put
                    | RecordKind::Tally
                    | RecordKind::Delete
                    | RecordKind::Lost
                    | RecordKind::Commit
            )
        });
        if address >= proven && kind == RecordKind::Tally && !entry.passes {
            // The next mount cannot copy its count, and takes it for torn.
            self.set(held.number, State::Void(Void::Torn));
            self.note(Kind::Torn, address, Vec::new());
            return;
        }
        match (suspect, copied.is_some()) {
            (Some(number), true) if !keeps_last => {
                self.set(number, State::Void(Void::NoRoom));
                return;
            }
            (_, true) => self.suspect = suspect,
            _ => {}
        }
        self.apply(&held);
        if matches!(kind, RecordKind::PendingPut | RecordKind::PendingDelete) && address >= proven {
            self.note(Kind::NoCommit, address, Vec::new());
        }
    }

    /// Whether the log rests with this rest record: nothing was programmed after it.
    fn rests(&self, rest: usize) -> bool {
        let Some(entry) = self.records.get(rest) else { return false };
        let region = &self.region;
        let limit = self.base(entry.sector) + region.records_end_offset();
        let blank = region.bytes(entry.record.end, limit);
        let slots = region.slots(entry.sector, entry.generation.1);
        let is_begun = slots.iter().any(|slot| slot.number >= self.decided && slot.is_begun);
        !is_begun && blank.is_some_and(|bytes| bytes.iter().all(|byte| *byte == 0xFF))
    }
}
