//! Damage and interruptions, once all records are known.

use super::data::Survey;
use super::entry::State;
use super::finding::Kind;
use super::newer::{self, Newer};
use super::sector::{Role, Standing};

impl Survey<'_> {
    /// Notes sectors newer than the head whose opening or mark may have been lost.
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
            let entry = self.records[number];
            let kind = match entry.state {
                State::Live => Kind::LiveDamaged,
                State::Replaced(_) | State::InForce => Kind::OldDamaged,
                State::Void(_) => continue,
            };
            if !entry.passes {
                let keys =
                    if kind == Kind::LiveDamaged { vec![entry.record.key] } else { Vec::new() };
                self.note(kind, entry.record.address, keys);
            } else if entry.state == State::Live
                && let Some(tally) = self.region.tally(&entry.record).filter(|tally| tally.is_begun)
            {
                let at = tally.cells_at;
                self.note(Kind::TickCut, at, vec![entry.record.key]);
            }
        }
        let shape = self.region.shape();
        for number in 0..shape.sectors {
            let base = self.base(number);
            let sector = self.sectors[number as usize];
            if self.region.bytes(base, base + shape.sector_bytes).is_none() {
                self.note(Kind::Missing, base, Vec::new());
            } else if self.is_log(number) && sector.opening.is_err() {
                self.note(Kind::OpeningLost, base, Vec::new());
            }
        }
        let Some((head_sector, _)) = self.head else { return };
        // Only in the sector after the head can a compaction have been interrupted.
        let next = (head_sector + 1) % shape.sectors;
        let base = self.base(next);
        if self.newer.get(&next).is_some_and(|standing| *standing != Standing::Interrupted) {
            return;
        }
        match self.sectors[next as usize].role {
            Role::Unfinished => self.note(Kind::CompactionCut, base, Vec::new()),
            Role::Unused => {
                let opening = self.region.bytes(base, base + self.region.mark_offset());
                let zeroed = opening.is_some_and(|bytes| bytes.iter().all(|b| *b == 0));
                if !zeroed {
                    self.note(Kind::CompactionCut, base, Vec::new());
                }
            }
            _ => {}
        }
    }
}
