//! The sectors of the log, walked in their order: Mounting 2 and 3 of `kvstore/FORMAT.md`.

use outlast_kvstore::inspect::{Event, RecordKind, SectorInfo, Settle};

use super::data::Survey;
use super::entry::{Entry, State, Void};
use super::finding::Kind;

/// A record whose effect depends on what follows it.
#[derive(Clone, Copy)]
struct Held<'a> {
    number: usize,
    settle: Option<(Settle<'a>, Option<usize>)>,
}

impl<'a> Survey<'a> {
    /// Walks a sector of the log and lets its records take effect.
    pub(super) fn walk_log(&mut self, sequence: u32, head: SectorInfo, keeps_last: bool) {
        let region = self.region;
        let shape = region.shape();
        let sector = sequence % shape.sectors;
        let base = self.base(sector);
        let generation = (head.epoch, sequence);
        let is_head = sequence == head.sequence;
        let limit = if is_head {
            shape.sector_bytes
        } else if sequence + 1 == head.sequence {
            head.previous_end
        } else {
            let next = region.sector_info(head.epoch, sequence + 1);
            next.map_or(shape.sector_bytes, |next| next.previous_end)
        };
        let limit = limit.min(shape.sector_bytes);
        let mut events = Vec::new();
        let stop = region.walk(sector, generation, limit, &mut |event| events.push(event));
        let (mut before, mut last) = (None, None);
        for event in events {
            match event {
                Event::Record(record, passes) => {
                    let number =
                        self.add(record, generation, passes, State::Void(Void::NoCommit), None);
                    if let Some(held) = before.take() {
                        self.apply(&held);
                    }
                    before = last.replace(Held { number, settle: None });
                }
                Event::Settled(at, record, settle) => {
                    let number = self.add(record, generation, true, State::InForce, None);
                    let carried = settle.carried.map(|carried| {
                        let passes = region.passes(&carried, generation.0, generation.1);
                        self.add(
                            carried,
                            generation,
                            passes,
                            State::Void(Void::NoCommit),
                            Some(number),
                        )
                    });
                    for held in [before.take(), last.take()].into_iter().flatten() {
                        if self.records[held.number].record.address < settle.accepted_end {
                            self.apply(&held);
                        } else {
                            self.make_void(&held, record.address);
                        }
                    }
                    if settle.accepted_end > at {
                        // The accepted log went on after a place that cannot be read now.
                        self.note_hidden(at, record.address.min(settle.accepted_end), generation);
                    }
                    last = Some(Held { number, settle: Some((settle, carried)) });
                }
            }
        }
        if is_head {
            self.decide_end(before, last, head, keeps_last);
            self.look_after_end(stop, generation);
        } else {
            for held in [before, last].into_iter().flatten() {
                self.apply(&held);
            }
            if stop < base + limit {
                self.note_hidden(stop, base + limit, generation);
            }
        }
        let end = self.add_chain(stop.max(base), generation, Void::PastEnd);
        if let Some(sector) = self.sectors.get_mut(sector as usize) {
            sector.end = end;
        }
    }

    /// Adds the consecutive records from `at` on.
    fn add_chain(&mut self, mut at: u32, generation: (u32, u32), why: Void) -> u32 {
        let size = self.region.shape().sector_bytes;
        let limit = at / size * size + size;
        while at < limit
            && let Some(record) = self.region.record(at, limit)
        {
            let passes = self.region.passes(&record, generation.0, generation.1);
            if !self.by_address.contains_key(&record.address) {
                self.add(record, generation, passes, State::Void(why), None);
            }
            at = self.region.place(record.end);
        }
        at
    }

    /// Makes a record void because of a later settle record.
    fn make_void(&mut self, held: &Held<'a>, settle: u32) {
        match held.settle {
            None => self.set(held.number, State::Void(Void::NotAccepted(settle))),
            Some((_, carried)) => {
                if let Some(carried) = carried {
                    self.set(carried, State::Void(Void::HandedOn(settle)));
                }
            }
        }
    }

    /// Lets a record take effect.
    fn apply(&mut self, held: &Held<'a>) {
        let number = match held.settle {
            None => held.number,
            Some((_, Some(carried))) => carried,
            Some((_, None)) => return,
        };
        let Some(entry) = self.records.get(number).copied() else { return };
        match entry.record.kind {
            RecordKind::Put | RecordKind::Tally | RecordKind::Delete => self.apply_change(number),
            RecordKind::Commit => {
                self.set(number, State::InForce);
                self.apply_batch(&entry);
            }
            RecordKind::Seal | RecordKind::Settle => self.set(number, State::InForce),
            RecordKind::PendingPut | RecordKind::PendingDelete => {}
        }
    }

    fn apply_batch(&mut self, commit: &Entry<'a>) {
        let (start, end) = self.region.extent(&commit.record);
        let mut batch = Vec::new();
        let mut at = start;
        while at < end {
            let Some(record) = self.region.record(at, end) else {
                self.note(Kind::Hidden, at, Vec::new());
                break;
            };
            let number = match self.by_address.get(&at) {
                Some(number) => *number,
                None => {
                    let (epoch, sequence) = commit.generation;
                    let passes = self.region.passes(&record, epoch, sequence);
                    self.add(record, commit.generation, passes, State::Void(Void::NoCommit), None)
                }
            };
            batch.push((number, record.kind));
            at = self.region.place(record.end);
        }
        for kind in [RecordKind::PendingDelete, RecordKind::PendingPut] {
            for (number, _) in batch.iter().filter(|(_, k)| *k == kind) {
                self.apply_change(*number);
            }
        }
    }

    fn apply_change(&mut self, number: usize) {
        let Some(entry) = self.records.get(number).copied() else { return };
        let key = entry.record.key;
        let old = [self.live.remove(key), self.deletes.remove(key)];
        for old in old.into_iter().flatten() {
            self.set(old, State::Replaced(number));
        }
        if matches!(entry.record.kind, RecordKind::Put | RecordKind::Tally | RecordKind::PendingPut)
        {
            self.live.insert(key, number);
            self.set(number, State::Live);
        } else {
            self.deletes.insert(key, number);
            self.set(number, State::InForce);
        }
    }

    /// Decides about the last two records of the head: Mounting 3.
    fn decide_end(
        &mut self,
        before: Option<Held<'a>>,
        last: Option<Held<'a>>,
        head: SectorInfo,
        keeps_last: bool,
    ) {
        let proven = self.base(head.sequence % self.region.shape().sectors) + head.proven_end;
        let mut undecided = [last, before];
        let mut suspect = None;
        for place in &mut undecided {
            let Some(held) = *place else { break };
            let Some(entry) = self.records.get(held.number).copied() else { break };
            if entry.record.address < proven {
                break;
            }
            *place = None;
            if let Some((_, carried)) = held.settle {
                suspect = carried;
                break;
            }
            if entry.passes {
                suspect = Some(held.number);
                break;
            }
            self.set(held.number, State::Void(Void::Torn));
            self.note(Kind::Torn, entry.record.address, Vec::new());
        }
        let [last, before] = undecided;
        for held in [before, last].into_iter().flatten() {
            self.apply(&held);
        }
        if let Some(number) = suspect {
            if keeps_last {
                self.apply(&Held { number, settle: None });
            } else {
                self.set(number, State::Void(Void::NoRoom));
            }
            let kind = self.records.get(number).map(|entry| entry.record.kind);
            let copied = matches!(
                kind,
                Some(RecordKind::Put | RecordKind::Tally | RecordKind::Delete | RecordKind::Commit)
            );
            self.suspect = (copied && keeps_last).then_some(number);
            if matches!(kind, Some(RecordKind::PendingPut | RecordKind::PendingDelete)) {
                self.note(Kind::NoCommit, self.records[number].record.address, Vec::new());
            }
        }
    }
}
