//! A survey as data. The steps of the survey fill it in.

use std::collections::{BTreeMap, BTreeSet};

use outlast_kvstore::inspect::{Record, RecordKind, Region, SectorInfo};

use super::entry::{Entry, State};
use super::finding::{Finding, Kind};
use super::sector::{Role, Sector, Standing};

/// What an image holds.
#[derive(Clone, Debug)]
pub struct Survey<'a> {
    /// The bytes.
    pub region: Region<'a>,
    /// Its sectors, by physical number.
    pub sectors: Vec<Sector>,
    /// Its records, in the order in which they were found.
    pub records: Vec<Entry>,
    /// The sector number and sector info of the head.
    pub head: Option<(u32, SectorInfo)>,
    /// Whether the head itself shows that it counts, and not only the sector before it.
    pub head_is_sure: bool,
    /// Whether the log rests: a power-up that only reads need program nothing.
    pub resting: bool,
    /// The number of the record that gives each key its value.
    pub live: BTreeMap<Vec<u8>, usize>,
    /// Interruptions and damage.
    pub findings: Vec<Finding>,
    /// The last record, which the next mount will copy.
    pub suspect: Option<usize>,
    /// Sectors with records newer than the head.
    pub newer: BTreeMap<u32, Standing>,
    pub(super) deletes: BTreeMap<Vec<u8>, usize>,
    /// How many slots of the head do not count.
    pub(super) decided: u32,
    pub(super) by_address: BTreeMap<u32, usize>,
}

impl Survey<'_> {
    /// The address of a sector.
    #[must_use]
    pub const fn base(&self, sector: u32) -> u32 {
        sector * self.region.shape().sector_bytes
    }

    pub(super) fn is_log(&self, sector: u32) -> bool {
        let role = self.sectors.get(sector as usize).map(|sector| sector.role);
        matches!(role, Some(Role::Head | Role::Log | Role::Tail))
    }

    /// Whether values may be lost, or older than they should be.
    #[must_use]
    pub fn may_cost_values(&self) -> bool {
        self.head.is_none() || self.findings.iter().any(|finding| finding.kind.may_cost_values())
    }

    /// Whether nothing of a store is left.
    pub(crate) fn is_empty(&self) -> bool {
        let opened = self.sectors.iter().any(|sector| sector.info.is_some());
        self.head.is_none() && self.records.is_empty() && !opened
    }

    /// The sectors that were passed over when their turn came last.
    #[must_use]
    pub fn passed_over(&self) -> Vec<u32> {
        let sectors = (0..).zip(&self.sectors);
        let passed_over = sectors.filter(|(_, sector)| sector.role == Role::PassedOver);
        passed_over.map(|(number, _)| number).collect()
    }

    pub(super) fn add(
        &mut self,
        record: Record,
        generation: (u32, u32),
        passes: bool,
        state: State,
        carried_by: Option<usize>,
    ) -> usize {
        let number = self.records.len();
        let sector = record.address / self.region.shape().sector_bytes;
        self.by_address.insert(record.address, number);
        self.records.push(Entry { record, sector, generation, passes, state, carried_by });
        number
    }

    pub(super) fn set(&mut self, number: usize, state: State) {
        if let Some(entry) = self.records.get_mut(number) {
            entry.state = state;
        }
    }

    pub(super) fn note(&mut self, kind: Kind, address: u32, keys: Vec<Vec<u8>>) {
        self.findings.push(Finding { kind, address, keys });
    }

    /// The copy that the settle record at this address carries.
    #[must_use]
    pub fn carried_at(&self, settle: u32) -> Option<&Entry> {
        let number = *self.by_address.get(&settle)?;
        // It was added right after its settle record.
        self.records.get(number + 1).filter(|copy| copy.carried_by == Some(number))
    }

    /// The keys that have a tally in flash, which are counters.
    #[must_use]
    pub fn counters(&self) -> BTreeSet<Vec<u8>> {
        let tally = |entry: &&Entry| entry.record.kind == RecordKind::Tally && entry.passes;
        self.records.iter().filter(tally).map(|entry| entry.record.key.clone()).collect()
    }

    /// Whether a key's value is a tally, which the next mount closes.
    #[must_use]
    pub fn is_open_tally(&self, key: &[u8]) -> bool {
        let live = self.live.get(key).and_then(|number| self.records.get(*number));
        live.is_some_and(|entry| entry.record.kind == RecordKind::Tally && entry.passes)
    }

    /// All versions of a key that are still in flash, newest first, as numbers of records.
    #[must_use]
    pub fn history(&self, key: &[u8]) -> Vec<usize> {
        let mut numbers: Vec<usize> =
            (0..self.records.len()).filter(|n| self.records[*n].record.key == key).collect();
        numbers.sort_by_key(|n| {
            let entry = &self.records[*n];
            std::cmp::Reverse((entry.generation, entry.record.address))
        });
        numbers
    }
}
