//! Compaction: the spare is erased, takes the tail's live records and the new changes, and becomes
//! the head.
//!
//! Until its mark is programmed, the new sector does not count, and a cut costs only the erase.
//! Once it is programmed, the tail is retired, if the log had grown to all sectors but one.

use embedded_storage::nor_flash::NorFlash;

use super::append::Content;
use super::batch::Changes;
use super::log_end::Suspect;
use super::state::Core;
use crate::change::{Change, counted};
use crate::error::Fault;
use crate::flash::writer::{Copied, Writer};
use crate::format::geometry::Live;
use crate::format::opening::Opening;
use crate::format::record::{Kind, RecordRef};
use crate::index::Index;

impl<F: NorFlash> Core<F> {
    /// Makes the spare the new head. `changes` are written into it, and a mount's suspect, which
    /// has not taken effect yet. `previous_end` is the offset where the accepted log ends in the
    /// sector before. If the suspect no longer passes its checks, the new sector does not count.
    pub(crate) fn compact(
        &mut self,
        changes: &[Change<'_>],
        suspect: Option<&Suspect>,
        previous_end: u32,
        index: &mut Index,
    ) -> Copied {
        let tail = self.log.tail;
        let retires = self.log_is_long();
        self.begin_sector();
        let start = self.base(self.log.head) + self.medium.geometry.first_record();
        let mut end = start;
        // First, so that what it replaces in the tail is not copied. What takes effect is the copy,
        // since bits of the suspect itself may read differently each time.
        if let Some(suspect) = suspect
            && self.carry_suspect(suspect, &mut end, index) == Copied::Damaged
        {
            return Copied::Damaged;
        }
        if retires {
            self.carry_tail(tail, changes, &mut end, index);
        }
        self.write_changes(changes, false, retires.then_some(tail), &mut end, index);
        let tail = if retires { tail + 1 } else { tail };
        self.finish_sector(tail, previous_end, end);
        self.sum_live(index);
        Copied::Whole
    }

    /// Writes a suspect again, or the whole batch if it is a commit, and lets the copy take effect.
    fn carry_suspect(&mut self, suspect: &Suspect, end: &mut u32, index: &mut Index) -> Copied {
        let mut changes = Changes::of(suspect);
        while self.next_change(&mut changes) {
            let source = changes.found;
            let header = source.header.plain();
            let copy = RecordRef { address: self.medium.geometry.place(*end), header };
            let copied = self.write_record(header, &Content::Copy(source), end);
            if copied == Copied::Damaged && suspect.found.header.kind() != Kind::Commit {
                return copied;
            }
            self.apply(&Suspect::new(copy, 0), &[], index);
        }
        Copied::Whole
    }

    /// Copies the tail's live records that `changes` do not replace.
    fn carry_tail(&mut self, tail: u32, changes: &[Change<'_>], end: &mut u32, index: &mut Index) {
        for position in 0..index.len() {
            let Some(&entry) = index.get(position) else { break };
            if !self.is_in(entry.address, tail) {
                continue;
            }
            let address = if let Some(source) = self.header_at(entry.address) {
                if self.is_replaced(entry.hash, entry.address, changes) {
                    continue;
                }
                let address = self.medium.geometry.place(*end);
                self.write_record(source.header.plain(), &Content::Copy(source), end);
                address
            } else {
                // The old place will hold other records. At the start of a sector there is never a
                // header, so the key stays damaged.
                self.log.damaged += 1;
                self.base(self.log.head)
            };
            if let Some(entry) = index.get_mut(position) {
                entry.address = address;
            }
        }
    }

    /// Starts a new, empty log in the spare. This is atomic: the mark makes it count.
    pub(crate) fn restart(&mut self) {
        let end = self.log.end;
        self.begin_sector();
        self.log.epoch = self.log.epoch.wrapping_add(1);
        self.forget_live();
        let at = self.base(self.log.head) + self.medium.geometry.first_record();
        self.finish_sector(self.log.head, end, at);
    }

    /// Erases the spare and makes it the head. An erase of an earlier power-up does not count,
    /// since flash that reads blank proves nothing.
    fn begin_sector(&mut self) {
        if !self.medium.geometry.may_follow(self.generation(self.log.head)) {
            self.medium.fault.get_or_insert(Fault::Full);
        }
        let next = self.log.head + 1;
        if !self.log.spare_erased {
            self.medium.erase(self.sector(next));
        }
        self.log.spare_erased = false;
        self.log.head = next;
    }

    /// Writes the opening and then the mark, which makes the sector count. `at` is the address
    /// where its records end.
    pub(crate) fn finish_sector(&mut self, tail: u32, previous_end: u32, at: u32) {
        let base = self.base(self.log.head);
        let opening = Opening {
            generation: self.generation(self.log.head),
            older: self.log.head - tail,
            previous_end,
            proven_end: at - base,
        };
        let mut writer = Writer::new();
        writer.write_opening(&mut self.medium, base, &opening);
        self.medium.zero(base + self.medium.geometry.mark(), self.medium.geometry.unit);
        self.log.tail = tail;
        self.log.end = self.medium.geometry.place(at - base);
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
