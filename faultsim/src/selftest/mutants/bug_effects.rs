//! The code of planted mistakes that take more than leaving something out.

use super::append::Compaction;
use super::bug::Bug;
use super::codec::{FLAG, Kind, OPENING, TAG, opening};
use super::slots::Decision;
use super::store::{LEAK, ReferenceStore, with};
use super::walk::{Change, Pages, Table, Walk};
use crate::subject::Trouble;

/// How often a planted mistake skips what it takes for a damaged record.
const MOST_SKIPS: usize = 256;

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
                // Far more than the stated work, but not for ever where the length is zero.
                for _ in 0..MOST_SKIPS {
                    let mut rest = vec![0; self.page() - at % self.page()];
                    self.read(self.sector, at, &mut rest)?;
                    let super::codec::Parsed::Damaged(Some((_, value))) = self.codec().parse(&rest)
                    else {
                        break;
                    };
                    at += value.len();
                }
            }
            Some(Bug::HeadSoughtTwice | Bug::DecisionTestedTwoWays) => {
                let none = || Trouble::Broken("no head to write to".to_owned());
                let loose = self.has(Bug::DecisionTestedTwoWays);
                let head = self.read_all()?.head(loose).ok_or_else(none)?;
                (self.sector, self.sequence) = (head.sector, head.sequence);
            }
            Some(Bug::RestJudgedAgain) => {
                let reading = self.read_all()?;
                walk.rests = reading.pages(self.sector, self.sequence).walk().rests;
            }
            _ => {}
        }
        Ok(())
    }

    /// Changes what a mount read, or reads it again. Returns what values are taken from.
    pub(super) fn planted_rereading(&self, bytes: &mut Vec<u8>) -> Result<Vec<u8>, Trouble> {
        match self.bug {
            Some(Bug::CheckedThenRead) => return self.read_sector(self.sector),
            Some(Bug::ReadsUntilEqual) => {
                for _ in 0..64 {
                    let again = self.read_sector(self.sector)?;
                    if again == *bytes {
                        break;
                    }
                    *bytes = again;
                }
            }
            Some(Bug::RepairsCount) => self.repair_last(bytes, 0),
            Some(Bug::RepairsTwoBits) => self.repair_last(bytes, 2),
            _ => {}
        }
        Ok(bytes.clone())
    }

    /// Completes the record after the last intact one, if no more than this many bits are missing.
    fn repair_last(&self, bytes: &mut [u8], bits: usize) {
        let (page, codec, bug) = (self.page(), self.codec(), self.bug);
        let pages = Pages { bytes, again: bytes, page, codec, bug };
        let walk = pages.walk();
        for at in [walk.end, (walk.last_page + 1) * page + TAG] {
            let end = (at / page + 1) * page;
            if let Some(rest) = bytes.get_mut(at..end)
                && codec.repair(rest, bits)
            {
                return;
            }
        }
    }

    /// Whether the log ends in a way of its own and is not settled.
    pub(super) fn planted_end(&mut self, pages: &Pages<'_>, walk: &Walk) -> Result<bool, Trouble> {
        Ok(match self.bug {
            Some(Bug::AppendsAfterTorn) => true,
            Some(Bug::BlankByFirstByte) => {
                // A record that did not fit begins in the next page.
                let next = self.at.next_multiple_of(self.page()) + TAG;
                let is_blank = |at| pages.bytes.get(at).is_none_or(|byte| *byte == 0xFF);
                [self.at, next].into_iter().all(is_blank)
            }
            Some(Bug::BlankByReading) => pages.bytes[self.at..].iter().all(|byte| *byte == 0xFF),
            Some(Bug::ZeroFill) => {
                self.fill_with_zeros(pages, walk)?;
                true
            }
            _ => false,
        })
    }

    /// Whether the head is taken to be proven, and the next sector to be denied, although this
    /// power-up has not done either.
    pub(super) fn planted_sure(&self, why: Compaction) -> Result<bool, Trouble> {
        Ok(match self.bug {
            Some(Bug::OutMissing) => why == Compaction::Mount,
            Some(Bug::OutIfInReads) if why == Compaction::Mount => {
                let reading = self.read_all()?;
                reading.slots(self.sector).last(0) != Some(Decision::In)
            }
            _ => false,
        })
    }

    pub(super) fn program_late_flag(&mut self) -> Result<(), Trouble> {
        match self.planted.late_flag.take() {
            Some(flag) => self.program(self.sector, flag, &[0; FLAG]),
            None => Ok(()),
        }
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

    /// The number of the next sector.
    pub(super) fn next_number(&self) -> u32 {
        match self.bug {
            Some(Bug::EqualSequence) => self.sequence,
            Some(Bug::SequenceWraps) => (self.sequence + 1) & 7,
            _ => self.sequence + 1,
        }
    }

    /// What a compaction copies, and what the settings are after it.
    pub(super) fn planted_copies(&self, table: Table, why: Compaction) -> (Table, Table) {
        if self.planted.clear_requested && why == Compaction::Mount {
            return (Table::new(), Table::new());
        }
        let mut copied = table.clone();
        if self.has(Bug::CopiesOldest) {
            for (key, value) in &mut copied {
                if self.table.get(key) == Some(value)
                    && let Some(oldest) = self.planted.oldest.get(key)
                {
                    value.clone_from(oldest);
                }
            }
        }
        (copied, table)
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
        let from = filled.next_multiple_of(self.page()) + self.page() + TAG;
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
        self.wake()?;
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
