//! What an image holds: sectors, records, which of them count and why the others do not.
//!
//! A survey follows the rules of `kvstore/FORMAT.md` without changing anything. Where each rule is:
//!
//! | here | what it follows |
//! |---|---|
//! | `Region::head` of the store | which sector is the head |
//! | `walk_log`, `apply` | the walk over a sector, settle records, damaged records |
//! | `decide_end` | the last record of the head, and whether the log rests |
//! | `look_after_end` | traces of an interrupted write or mount |
//! | `Survey::new`, `is_refuted_by` | whether there is room to keep the last record |
//! | `newer` | what an interrupted compaction leaves after the head |
//! | `hidden` | records that no mount reaches, which is damage |
//! | `is_passed_over` | sectors that could not be used, and without which the log goes on |

mod damage;
mod data;
mod entry;
mod finding;
mod hidden;
mod log;
mod newer;
mod outside;
mod sector;

use std::collections::BTreeMap;

use outlast_kvstore::inspect::{Region, SectorInfo, Successor};

pub use self::data::Survey;
pub use self::entry::{Entry, State, Void};
pub use self::finding::{Finding, Kind};
pub use self::sector::{Role, Sector, Standing};
use crate::shape::Shape;
use crate::store::Mounted;

impl<'a> Survey<'a> {
    /// Reads an image.
    #[must_use]
    pub fn new(region: Region<'a>) -> Self {
        let survey = Self::with_last(region, true);
        // If the log is long, only a mount shows whether there is room to keep the last
        // record.
        let sectors = region.shape().sectors;
        let may_retire = |(_, head): (u32, SectorInfo)| head.sequence - head.oldest + 3 >= sectors;
        if survey.suspect.is_none() || !survey.head.is_some_and(may_retire) {
            return survey;
        }
        let without = Self::with_last(region, false);
        if survey.is_refuted_by(&without) { without } else { survey }
    }

    /// Whether a mount of a copy agrees with `other` wherever the two differ.
    fn is_refuted_by(&self, other: &Self) -> bool {
        let value = |survey: &Self, key: &[u8]| {
            let record = &survey.records.get(*survey.live.get(key)?)?.record;
            Some(record.value.to_vec())
        };
        let mut keys: Vec<&Vec<u8>> = self.live.keys().chain(other.live.keys()).collect();
        keys.retain(|key| value(self, key) != value(other, key));
        let region = &self.region;
        let shape = Shape::from(region.shape());
        let bytes = u32::try_from(shape.bytes()).ok().and_then(|whole| region.bytes(0, whole));
        let Some(bytes) = bytes.filter(|_| !keys.is_empty()) else { return false };
        let Ok(mut mounted) = Mounted::open(bytes.to_vec(), &shape) else { return false };
        keys.iter().all(|key| mounted.get(key) == Ok(value(other, key)))
    }

    /// Reads an image and keeps or drops the last record of the log, unless that is proven.
    fn with_last(region: Region<'a>, keeps_last: bool) -> Self {
        let head = region.head();
        let mut survey = Self {
            region,
            sectors: Vec::new(),
            records: Vec::new(),
            head: head.map(|head| (head.sector, head.info)),
            head_is_sure: head.is_some_and(|head| head.is_sure),
            resting: false,
            live: BTreeMap::new(),
            findings: Vec::new(),
            suspect: None,
            newer: BTreeMap::new(),
            deletes: BTreeMap::new(),
            decided: 0,
            by_address: BTreeMap::new(),
        };
        survey.sectors = (0..region.shape().sectors).map(|n| survey.sector(n)).collect();
        if let Some((_, head)) = survey.head {
            for sequence in head.oldest..=head.sequence {
                survey.walk_log(sequence, head, keeps_last);
            }
        }
        for number in 0..region.shape().sectors {
            if !survey.is_log(number) {
                survey.walk_outside(number);
            }
        }
        survey.look_for_newer();
        survey.look_for_damage();
        survey.findings.sort_by_key(|finding| finding.address);
        survey.sum_live();
        survey
    }

    fn sector(&self, number: u32) -> Sector {
        let region = &self.region;
        let shape = region.shape();
        let base = self.base(number);
        let opening = region.opening(number);
        let info = opening.ok();
        let log_number = self.head.and_then(|(_, head)| {
            let age = head.sequence.wrapping_sub(number) % shape.sectors;
            let sequence = head.sequence.checked_sub(age)?;
            (sequence >= head.oldest && sequence % shape.sectors == number)
                .then_some((sequence, head))
        });
        let bytes = region.bytes(base, base + shape.sector_bytes);
        let newest = info.map(|info| (info.epoch, info.sequence));
        let role = match (log_number, self.head, info) {
            (_, Some((_, head)), _)
                if newest.is_none_or(|newest| newest < (head.epoch, head.sequence))
                    && self.is_passed_over(number, head) =>
            {
                Role::PassedOver
            }
            (Some((sequence, head)), ..) if sequence == head.sequence => Role::Head,
            (Some((sequence, head)), ..) if sequence == head.oldest => Role::Tail,
            (Some(_), ..) => Role::Log,
            (None, Some((_, head)), Some(info)) => {
                if (info.epoch, info.sequence) > (head.epoch, head.sequence) {
                    Role::Unfinished
                } else {
                    Role::Retired
                }
            }
            (None, None, Some(_)) => Role::Stray,
            (None, _, None) => match bytes {
                None => Role::Missing,
                Some(_) if self.is_erased(number) => Role::Blank,
                Some(_) => Role::Unused,
            },
        };
        Sector { role, info, opening: opening.map(|_| ()), end: base, live_bytes: 0 }
    }

    /// Whether a sector was passed over when its turn came last.
    fn is_passed_over(&self, sector: u32, head: SectorInfo) -> bool {
        let age = head.sequence.wrapping_sub(sector) % self.region.shape().sectors;
        let Some(sequence) = head.sequence.checked_sub(age).filter(|_| age > 0) else {
            return false;
        };
        if sequence >= head.oldest {
            return self.region.successor(&head, sequence) == Successor::PassedOver;
        }
        let after = self.region.sector_info(head.epoch, sequence + 1);
        after.is_some_and(|after| after.passed_over)
    }

    /// Whether a sector is blank, except for the unit that each erase programs.
    fn is_erased(&self, sector: u32) -> bool {
        let region = &self.region;
        let (base, trial) = (self.base(sector), region.trial(sector));
        !region.is_begun(base, trial.start)
            && !region.is_begun(trial.end, base + region.shape().sector_bytes)
    }

    fn sum_live(&mut self) {
        for number in self.live.values() {
            let Some(entry) = self.records.get(*number) else { continue };
            if let Some(sector) = self.sectors.get_mut(entry.sector as usize) {
                sector.live_bytes += entry.record.end - entry.record.address;
            }
        }
    }
}
