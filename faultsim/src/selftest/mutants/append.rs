//! Changes: appended where there is room, otherwise carried into the next sector by a compaction.

use super::bug::Bug;
use super::codec::{Codec, FIRST_RECORD, Kind, TAG, opening};
use super::slots::Decision;
use super::store::{LONGEST, ReferenceStore, is_blank, with};
use super::walk::{Change, ERASE_BEGINS, ERASE_DONE, Table};
use crate::subject::Trouble;

/// Why the settings are carried into the next sector.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Compaction {
    /// There is no room for a change.
    Append,
    /// There is no room for a settle record.
    Mount,
    /// The next sector is only erased, in idle time.
    Tidy,
    /// Only to find out whether they would fit.
    Try,
}

impl ReferenceStore {
    /// The place for a record at or after `at`, within one page; `None` if there is no room.
    pub(super) fn place(&self, len: usize, mut at: usize) -> Option<usize> {
        let page = self.page();
        if at >= page && at % page < TAG {
            at = at / page * page + TAG;
        }
        if at % page + len > page {
            at = (at / page + 1) * page + TAG;
        }
        let fits = TAG + len <= page && at + len <= self.geometry.sector_bytes as usize;
        fits.then_some(at)
    }

    /// The places for these records, and where the last one ends.
    pub(super) fn places(&self, records: &[Vec<u8>], mut at: usize) -> Option<(Vec<usize>, usize)> {
        let mut places = Vec::new();
        for record in records {
            let place = self.place(record.len(), at)?;
            places.push(place);
            at = place + record.len();
        }
        Some((places, at))
    }

    /// Programs the records. Returns whether their places took them.
    pub(super) fn program_records(
        &self,
        records: &[Vec<u8>],
        places: &[usize],
    ) -> Result<bool, Trouble> {
        for (record, &at) in records.iter().zip(places) {
            match record.split_last() {
                Some((last, rest)) if self.has(Bug::CommitByteFirst) => {
                    self.program(self.sector, at + rest.len(), &[*last])?;
                    self.program(self.sector, at, rest)?;
                }
                _ if !self.takes(self.sector, at, record)? => return Ok(false),
                _ => {}
            }
        }
        Ok(true)
    }

    /// Moves to the next sector with these settings. They count when the old head has decided so.
    pub(super) fn compact(&mut self, table: Table, why: Compaction) -> Result<(), Trouble> {
        let (sector, number) = (self.next_sector(), self.next_number());
        let codec = Codec::new(self.bug, number);
        let (copied, table) = self.planted_copies(table, why);
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
                self.prepare(sector, why)?;
            }
            self.program(sector, 0, &opening(number))?;
        }
        self.spare_erased = false;
        let old = core::mem::replace(&mut self.sector, sector);
        let used = core::mem::take(&mut self.decided);
        if self.has(Bug::InBeforeCopies) {
            self.decide(old, used, Decision::In)?;
        }
        if !self.program_records(&records, &places)? {
            return Err(Trouble::Broken("a new sector does not take its records".to_owned()));
        }
        if self.has(Bug::ErasesOldFirst) {
            self.erase(old)?;
        }
        self.sure = false;
        self.sequence = number;
        self.at = end;
        if !(why == Compaction::Mount && self.has(Bug::CarryUndecided)) {
            self.take_over(old, used)?;
        }
        self.planted.oldest = copied;
        self.planted.clear_requested = false;
        self.table = table;
        Ok(())
    }

    /// Erases the next sector. If this power-up has not made the head sure, the head first says
    /// that it is the head and that the next sector is not. The next sector may hold a decision for
    /// the head, or be the subject of one that does not show.
    pub(super) fn prepare(&mut self, sector: u32, why: Compaction) -> Result<(), Trouble> {
        let reads_blank = match self.bug {
            Some(Bug::BlankTrusted) => is_blank(&self.read_sector(sector)?),
            Some(Bug::BlankSampled) => is_blank(&self.read_sector(sector)?[..self.page()]),
            _ => false,
        };
        if reads_blank {
            return Ok(());
        }
        if !self.sure && !self.planted_sure(why)? {
            self.decide(self.sector, self.decided, Decision::Out)?;
            self.sure = true;
        }
        self.erase(sector)
    }

    /// Lets the old head decide that this sector counts, and then makes that sure with a seal.
    ///
    /// The seal is begun when the decision is complete. So if any of it can be read, no later mount
    /// can doubt the decision. If there was no slot left for that, the seal decides by itself.
    pub(super) fn take_over(&mut self, old: u32, used: usize) -> Result<(), Trouble> {
        let sealed = self.has(Bug::SealBeforeDecision) && self.seal()?;
        let decided = self.has(Bug::InBeforeCopies) || self.decide(old, used, Decision::In)?;
        self.sure = sealed || self.has(Bug::NoSeal) || self.seal()?;
        if decided || self.sure {
            return Ok(());
        }
        Err(Trouble::Broken("no slot is left, and no room for a seal".to_owned()))
    }

    /// Appends a seal, which shows that its sector is the head. Returns whether there was room.
    fn seal(&mut self) -> Result<bool, Trouble> {
        let seal = self.codec().record(Kind::Seal, &[], &[]);
        let Some(at) = self.place(seal.len(), self.at) else { return Ok(false) };
        self.at = at + seal.len();
        self.takes(self.sector, at, &seal)
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
        self.wake()?;
        // Another sector may be the head now.
        let records = self.records(&changes);
        if self.planted.corrupt.as_ref().is_some_and(|key| changes.iter().any(|(k, _)| k == key)) {
            self.planted.corrupt = None;
        }
        for (key, _) in &changes {
            self.planted.not_listed.remove(key);
        }
        match self.places(&records, self.at) {
            Some((places, end)) => {
                self.at = end;
                if !self.program_records(&records, &places)? {
                    self.compact(table.clone(), Compaction::Append)?;
                }
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
        self.program_late_flag()
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
        self.wake()?;
        if self.has(Bug::ClearsLater) {
            self.note(&[])?;
        }
        if matches!(self.bug, Some(Bug::BlankAfterNote | Bug::SampledAfterNote)) {
            self.decide(self.sector, self.decided, Decision::Out)?;
            self.note(&ERASE_BEGINS)?;
            self.erase(self.next_sector())?;
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
            self.wake()?;
            self.prepare(self.next_sector(), Compaction::Tidy)?;
            self.spare_erased = true;
        }
        Ok(())
    }
}
