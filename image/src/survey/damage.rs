//! Damage and interruptions, once all records are known.

use outlast_kvstore::inspect::{Decision, RecordKind};

use super::data::Survey;
use super::entry::{Entry, State, Void};
use super::finding::Kind;
use super::newer::{self, Newer};
use super::sector::{Role, Standing};

impl Survey<'_> {
    /// Notes sectors newer than the head whose opening, or the decision about them, may have been
    /// lost.
    pub(super) fn look_for_newer(&mut self) {
        for Newer { sector, standing, keys } in newer::sectors(self) {
            self.newer.insert(sector, standing);
            match standing {
                Standing::Interrupted => {}
                Standing::Doubtful => self.note(Kind::NewerDoubtful, self.base(sector), keys),
                Standing::Lost => self.note(Kind::NewerLost, self.base(sector), keys),
            }
        }
    }

    pub(super) fn look_for_damage(&mut self) {
        for number in 0..self.records.len() {
            self.look_at_record(number);
        }
        let shape = self.region.shape();
        for number in 0..shape.sectors {
            let base = self.base(number);
            if self.region.bytes(base, base + shape.sector_bytes).is_none() {
                self.note(Kind::Missing, base, Vec::new());
            } else if self.is_log(number) {
                match self.region.opening_copies(number) {
                    [Ok(_), Ok(_)] => {}
                    [Err(_), Err(_)] => self.note(Kind::OpeningLost, base, Vec::new()),
                    [first, _] => {
                        let second = base + self.region.records_end_offset();
                        let at = if first.is_err() { base } else { second };
                        self.note(Kind::OpeningCopyLost, at, Vec::new());
                    }
                }
            }
        }
        self.look_for_cut_compaction();
    }

    fn look_at_record(&mut self, number: usize) {
        let Some(entry) = self.records.get(number) else { return };
        let (address, key) = (entry.record.address, entry.record.key.clone());
        let finding = match entry.state {
            State::Void(Void::Damaged) => Some((self.damaged(entry), address)),
            State::Void(_) => None,
            State::Live if !entry.passes => Some((Kind::LiveDamaged, address)),
            State::Live if entry.record.kind == RecordKind::Lost => {
                Some((Kind::ValueLost, address))
            }
            State::Replaced(_) | State::InForce if !entry.passes => {
                Some((Kind::OldDamaged, address))
            }
            _ if entry.record.repair.is_some() => {
                let at = entry.record.repair.map_or(address, |repair| repair.address);
                Some((self.repaired(number), at))
            }
            State::Live => self
                .region
                .tally(&entry.record)
                .filter(|tally| tally.is_begun)
                .map(|tally| (Kind::TickCut, tally.cells_at)),
            _ => None,
        };
        if let Some((kind, at)) = finding {
            let keys = if kind == Kind::OldDamaged || key.is_empty() { vec![] } else { vec![key] };
            self.note(kind, at, keys);
        }
    }

    /// The kind of damage to a record whose key has no older record.
    fn damaged(&self, entry: &Entry) -> Kind {
        let newest = [self.live.get(&entry.record.key), self.deletes.get(&entry.record.key)];
        let place = |entry: &Entry| (entry.generation, entry.record.address);
        let is_newer = |other: &usize| {
            self.records.get(*other).is_some_and(|other| place(other) > place(entry))
        };
        let is_old = newest.into_iter().flatten().any(is_newer);
        if is_old { Kind::OldDamaged } else { Kind::NameDamaged }
    }

    /// The kind of a wrong bit. One that an interrupted program can have left is no damage.
    fn repaired(&self, number: usize) -> Kind {
        let Some(entry) = self.records.get(number) else { return Kind::Repaired };
        let lacks_zero = entry.record.repair.is_some_and(|repair| repair.lacks_zero);
        let may_be_torn = self.suspect == Some(number)
            || matches!(
                entry.record.kind,
                RecordKind::Settle
                    | RecordKind::Seal
                    | RecordKind::Rest
                    | RecordKind::Spare
                    | RecordKind::SpareOver
            );
        if lacks_zero && may_be_torn { Kind::Completed } else { Kind::Repaired }
    }

    fn look_for_cut_compaction(&mut self) {
        let Some((head_sector, head)) = self.head else { return };
        // A compaction can have been interrupted only in the sector after the head, or in the one
        // after that if the first one was to be passed over.
        let sectors = self.region.shape().sectors;
        let [next, second] = [1, 2].map(|ahead| (head_sector + ahead) % sectors);
        let is_standing =
            |sector| self.newer.get(sector).is_some_and(|it| *it != Standing::Interrupted);
        if [next, second].iter().any(is_standing) {
            return;
        }
        let about = |number: u32| self.sectors.get(number as usize);
        let is_cut = |sector: u32| {
            let role = about(sector).map(|sector| sector.role);
            let passed_over = about(sector).and_then(|it| it.info).is_some_and(|it| it.passed_over);
            match role {
                Some(Role::Unfinished) => sector == next || passed_over,
                Some(Role::Unused) => sector == next,
                _ => false,
            }
        };
        if let Some(cut) = [next, second].into_iter().find(|sector| is_cut(*sector)) {
            self.note(Kind::CompactionCut, self.base(cut), Vec::new());
            return;
        }
        // A decision about itself does not say that a compaction was cut: the spare may have been
        // erased in advance.
        let slots = self.region.slots(head_sector, head.sequence);
        let begun = slots.iter().find(|slot| {
            slot.number >= self.decided && slot.is_begun && slot.decision != Some(Decision::Own)
        });
        if let Some(slot) = begun {
            self.note(Kind::CompactionCut, slot.address, Vec::new());
        }
    }
}
