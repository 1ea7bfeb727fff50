//! Changes: appended where there is room, otherwise carried into the next sector by a compaction.

use super::bug::Bug;
use super::codec::{Codec, FIRST_RECORD, Kind, TRACE, opening};
use super::store::{LONGEST, ReferenceStore, with};
use super::walk::{Change, ERASE_BEGINS, ERASE_DONE, Table};
use crate::subject::Trouble;

/// Why the settings are carried into the next sector.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Compaction {
    /// There is no room for a change.
    Append,
    /// There is no room for a settle record.
    Mount,
    /// Only to find out whether they would fit.
    Try,
}

impl ReferenceStore {
    /// The places for these records at or after `at`, each within one page, and where the last one
    /// ends; `None` if they do not fit.
    pub(super) fn places(&self, records: &[Vec<u8>], mut at: usize) -> Option<(Vec<usize>, usize)> {
        let page = self.page();
        let mut places = Vec::new();
        for record in records {
            if at >= page && at % page < TRACE {
                at = at / page * page + TRACE;
            }
            if at % page + record.len() > page {
                at = (at / page + 1) * page + TRACE;
            }
            if TRACE + record.len() > page
                || at + record.len() > self.geometry.sector_bytes as usize
            {
                return None;
            }
            places.push(at);
            at += record.len();
        }
        Some((places, at))
    }

    pub(super) fn program_records(
        &self,
        records: &[Vec<u8>],
        places: &[usize],
    ) -> Result<(), Trouble> {
        for (record, &at) in records.iter().zip(places) {
            match record.split_last() {
                Some((last, rest)) if self.has(Bug::CommitByteFirst) => {
                    self.program(self.sector, at + rest.len(), &[*last])?;
                    self.program(self.sector, at, rest)?;
                }
                _ => self.program(self.sector, at, record)?,
            }
        }
        Ok(())
    }

    /// Moves to the next sector with these settings. The mark is what makes them count.
    pub(super) fn compact(&mut self, table: Table, why: Compaction) -> Result<(), Trouble> {
        let (sector, mut number) = (self.next_sector(), self.sequence + 1);
        match self.bug {
            Some(Bug::EqualSequence) => number -= 1,
            Some(Bug::SequenceWraps) => number &= 7,
            _ => {}
        }
        let codec = Codec::new(self.bug, number);
        let mut copied = table.clone();
        let table = if self.planted.clear_requested && why == Compaction::Mount {
            copied.clear();
            Table::new()
        } else {
            table
        };
        if self.has(Bug::CopiesOldest) {
            for (key, value) in &mut copied {
                if self.table.get(key) == Some(value)
                    && let Some(oldest) = self.planted.oldest.get(key)
                {
                    value.clone_from(oldest);
                }
            }
        }
        let records: Vec<_> =
            copied.iter().map(|(key, value)| codec.record(Kind::Put, key, value)).collect();
        let resumed = if why == Compaction::Try { None } else { self.half_filled(sector, number)? };
        let from = resumed.unwrap_or(FIRST_RECORD);
        let (places, end) = self.places(&records, from).ok_or(Trouble::Full)?;
        if why == Compaction::Try {
            return Ok(());
        }
        if resumed.is_none() {
            if !self.spare_erased {
                self.prepare(sector)?;
            }
            self.program(sector, 0, &opening(number))?;
        }
        self.spare_erased = false;
        let marks = !(why == Compaction::Mount && self.has(Bug::CarryUnmarked));
        if marks && self.has(Bug::MarkBeforeCopy) {
            self.mark(sector)?;
        }
        let old = core::mem::replace(&mut self.sector, sector);
        self.program_records(&records, &places)?;
        if self.has(Bug::ErasesOldFirst) {
            self.prepare(old)?;
        }
        if marks && !self.has(Bug::MarkBeforeCopy) {
            self.mark(sector)?;
        }
        self.sequence = number;
        self.at = end;
        self.planted.oldest = copied;
        self.planted.clear_requested = false;
        self.table = table;
        Ok(())
    }

    /// Whether these settings would fit into a new sector.
    pub(super) fn fits(&mut self, table: &Table) -> Result<(), Trouble> {
        self.compact(table.clone(), Compaction::Try)
    }

    /// Makes the changes, all or none.
    pub(super) fn change(&mut self, changes: Vec<Change>) -> Result<(), Trouble> {
        if self.planted.read_only {
            return Err(Trouble::Refused("read-only".to_owned()));
        }
        if changes.iter().any(|(key, value)| {
            key.len() > LONGEST || value.as_ref().is_some_and(|value| value.len() > LONGEST)
        }) {
            return Err(Trouble::Refused("longer than 255 bytes".to_owned()));
        }
        let table = with(&self.table, &changes);
        if table == self.table {
            return Ok(());
        }
        if let Some(walk) = self.planted.unsettled.take() {
            self.settle_late(&walk)?;
        }
        let is_batch = changes.len() > 1;
        let records = self.records(&changes);
        if let Some(written) = &mut self.planted.written {
            *written += records.iter().map(Vec::len).sum::<usize>();
            // Room for the opening and for one record to copy is kept free.
            if *written > (self.geometry.sector_bytes - self.geometry.page) as usize {
                return Err(Trouble::Full);
            }
        }
        if let Err(full) = self.fits(&table) {
            self.planted_full(is_batch, &records)?;
            return Err(full);
        }
        if self.planted.corrupt.as_ref().is_some_and(|key| changes.iter().any(|(k, _)| k == key)) {
            self.planted.corrupt = None;
        }
        for (key, _) in &changes {
            self.planted.not_listed.remove(key);
        }
        match self.places(&records, self.at) {
            Some((places, end)) => {
                self.program_records(&records, &places)?;
                self.at = end;
            }
            None if is_batch
                && matches!(self.bug, Some(Bug::BatchSplit | Bug::CompactionCommitsBatch)) =>
            {
                self.split(&changes, &records)?;
            }
            None if self.has(Bug::CompactionForgetsChange) => {
                self.compact(self.table.clone(), Compaction::Append)?
            }
            None => self.compact(table.clone(), Compaction::Append)?,
        }
        self.table = table;
        Ok(())
    }

    /// The records of these changes: for a batch, pending records and a commit record.
    pub(super) fn records(&self, changes: &[Change]) -> Vec<Vec<u8>> {
        let codec = self.codec();
        let is_batch = changes.len() > 1 && !self.has(Bug::BatchAsSingles);
        let (put, delete) = if is_batch {
            (Kind::PendingPut, Kind::PendingDelete)
        } else {
            (Kind::Put, Kind::Delete)
        };
        let mut records = Vec::new();
        for (key, value) in changes {
            match value {
                Some(value) => records.push(codec.record(put, key, value)),
                None if self.has(Bug::DeleteNotWritten) && !is_batch => {}
                None if self.has(Bug::BatchDropsDeletes) && is_batch => {}
                None => records.push(codec.record(delete, key, &[])),
            }
        }
        if is_batch {
            let count = u8::try_from(records.len()).unwrap_or(u8::MAX);
            records.push(codec.record(Kind::Commit, &[], &[count]));
        }
        records
    }

    /// Factory reset: a new head without settings.
    pub(super) fn clear(&mut self) -> Result<(), Trouble> {
        if self.planted.read_only {
            return Err(Trouble::Refused("read-only".to_owned()));
        }
        if self.has(Bug::ClearsOneByOne) {
            let keys: Vec<_> = self.table.keys().cloned().collect();
            return keys.into_iter().try_for_each(|key| self.change(vec![(key, None)]));
        }
        if self.has(Bug::ClearsLater) {
            self.note(&[])?;
        }
        self.planted.unsettled = None;
        if self.has(Bug::BlankAfterNote) {
            let sector = self.next_sector();
            self.make_void(sector)?;
            self.note(&ERASE_BEGINS)?;
            self.erase(sector)?;
            self.spare_erased = true;
            self.note(&ERASE_DONE)?;
        }
        self.compact(Table::new(), Compaction::Append)
    }

    /// For planted mistakes: notes in the log what is about to be done, if there is room.
    pub(super) fn note(&mut self, what: &[u8]) -> Result<(), Trouble> {
        let note = [self.codec().record(Kind::Note, &[], what)];
        if let Some((places, end)) = self.places(&note, self.at) {
            self.program_records(&note, &places)?;
            self.at = end;
        }
        Ok(())
    }

    /// Erases the next sector ahead of its use, which must come in the same power-up.
    pub(super) fn tidy(&mut self) -> Result<(), Trouble> {
        if !self.spare_erased {
            self.prepare(self.next_sector())?;
            self.spare_erased = true;
        }
        Ok(())
    }
}
