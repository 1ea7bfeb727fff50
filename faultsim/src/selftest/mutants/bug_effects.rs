//! The code of planted mistakes that take more than leaving something out.

use super::append::Compaction;
use super::bug::Bug;
use super::codec::{Kind, OPENING, TRACE, opening};
use super::store::{LEAK, ReferenceStore, with};
use super::walk::{Change, Pages, Walk};
use crate::subject::Trouble;

impl ReferenceStore {
    pub(super) fn plant(&mut self, walk: &mut Walk) -> Result<(), Trouble> {
        self.planted.oldest = walk.oldest.clone();
        // The factory reset takes effect not at the mount that finds the request, but at a later
        // one.
        self.planted.clear_requested = walk.noted && walk.has_settle;
        match self.bug {
            Some(Bug::DropsSuspect) => walk.table = walk.before_last.clone(),
            Some(Bug::SettleAdoptsPending) => walk.table = with(&walk.table, &walk.pending),
            Some(Bug::SettledNotListed) => self.planted.not_listed = walk.settled.clone(),
            Some(Bug::SpaceLeaks) => {
                walk.table.entry(LEAK.to_vec()).or_default().extend([0xA5; 16])
            }
            Some(Bug::RefusesTorn) if walk.torn => {
                return Err(Trouble::Broken("the log is damaged".to_owned()));
            }
            Some(Bug::TornIsCorrupt) => {
                self.planted.corrupt = walk.damaged.as_ref().map(|(key, _)| key.clone());
            }
            Some(Bug::TornIsReadOnly) => self.planted.read_only = walk.torn,
            Some(Bug::ReadsByteByByte) if walk.torn => {
                for at in 0..self.geometry.sector_bytes as usize {
                    self.read(self.sector, at, &mut [0])?;
                }
            }
            Some(Bug::CarryLaunders) => {
                if let Some((key, value)) = walk.damaged.clone()
                    && walk.last_page + 2
                        >= (self.geometry.sector_bytes / self.geometry.page) as usize
                {
                    walk.table.insert(key, value);
                }
            }
            Some(Bug::SkipsByItsLength) if walk.torn => {
                let mut at = walk.end;
                loop {
                    let mut rest = vec![0; self.page() - at % self.page()];
                    self.read(self.sector, at, &mut rest)?;
                    let super::codec::Parsed::Damaged(Some((_, value))) = self.codec().parse(&rest)
                    else {
                        break;
                    };
                    at += value.len();
                }
            }
            Some(Bug::HeadSoughtTwice) => {
                self.write_elsewhere(|mark| mark.iter().any(|byte| *byte != 0xFF))?;
            }
            Some(Bug::MarkTestedTwoWays) => {
                self.write_elsewhere(|mark| mark.iter().all(|byte| *byte == 0))?;
            }
            _ => {}
        }
        Ok(())
    }

    pub(super) fn write_elsewhere(
        &mut self,
        counts: impl Fn(&[u8]) -> bool,
    ) -> Result<(), Trouble> {
        let none = || Trouble::Broken("no head to write to".to_owned());
        (self.sector, self.sequence) = self.head(counts)?.ok_or_else(none)?;
        Ok(())
    }

    pub(super) fn settle_late(&mut self, walk: &Walk) -> Result<(), Trouble> {
        let bytes = self.read_sector(self.sector)?;
        let (page, codec, bug) = (self.page(), self.codec(), self.bug);
        let pages = Pages { bytes: &bytes, again: &bytes, page, codec, bug };
        self.settle(walk, pages.settle_page(walk.last_page))
    }

    pub(super) fn fill_with_zeros(
        &mut self,
        pages: &Pages<'_>,
        walk: &Walk,
    ) -> Result<(), Trouble> {
        let page = self.page();
        let mut at = walk.end;
        // Everything that the last program can have reached, in this page and the next one.
        for _ in 0..2 {
            let end = ((at / page + 1) * page).min(pages.bytes.len());
            let Some(rest) = pages.bytes.get(at..end) else { break };
            if rest.iter().any(|byte| *byte != 0xFF) {
                self.program(self.sector, at, &vec![0; rest.len()])?;
                self.at = end;
            }
            at = end;
        }
        Ok(())
    }

    /// Where copying into a half-filled new head continues.
    pub(super) fn half_filled(&self, sector: u32, number: u32) -> Result<Option<usize>, Trouble> {
        if !self.has(Bug::TargetResumed) {
            return Ok(None);
        }
        let bytes = self.read_sector(sector)?;
        let is_ours = bytes[..OPENING] == opening(number);
        let filled = bytes.iter().rposition(|byte| *byte != 0xFF).unwrap_or(0) + 1;
        // After the page that may be torn.
        let from = filled.next_multiple_of(self.page()) + self.page() + TRACE;
        Ok((is_ours && filled > OPENING).then_some(from))
    }

    pub(super) fn planted_full(
        &mut self,
        is_batch: bool,
        records: &[Vec<u8>],
    ) -> Result<(), Trouble> {
        let written = match self.bug {
            Some(Bug::FullLeavesBatch) if is_batch => &records[..1],
            Some(Bug::FullLeavesRecord) if !is_batch => records,
            _ => return Ok(()),
        };
        if let Some((places, end)) = self.places(written, self.at) {
            self.program_records(written, &places)?;
            self.at = end;
        }
        Ok(())
    }

    /// Writes a batch that begins in this sector and ends in the next.
    pub(super) fn split(&mut self, changes: &[Change], records: &[Vec<u8>]) -> Result<(), Trouble> {
        let fitting = (0..records.len()).rev().find_map(|count| {
            let (places, _) = self.places(&records[..count], self.at)?;
            Some((count, places))
        });
        let (count, places) = fitting.unwrap_or_default();
        self.program_records(&records[..count], &places)?;
        let carried = match self.bug {
            Some(Bug::CompactionCommitsBatch) => with(&self.table, &changes[..count]),
            _ => self.table.clone(),
        };
        self.compact(carried, Compaction::Append)?;
        // The codec is now that of the new sector.
        let mut rest = Vec::new();
        for (key, value) in changes.iter().skip(count) {
            rest.push(match value {
                Some(value) => self.codec().record(Kind::PendingPut, key, value),
                None => self.codec().record(Kind::PendingDelete, key, &[]),
            });
        }
        let left = u8::try_from(rest.len()).unwrap_or(u8::MAX);
        rest.push(self.codec().record(Kind::Commit, &[], &[left]));
        let (places, end) = self.places(&rest, self.at).ok_or(Trouble::Full)?;
        self.program_records(&rest, &places)?;
        self.at = end;
        Ok(())
    }
}
