//! The state of a running store, and how it reads, programs and erases.

use std::collections::BTreeSet;

use super::bug::Bug;
use super::codec::{Codec, OPENING};
use super::slots::{Decision, SLOT, SLOT_BYTES, SLOTS, Slots};
use super::walk::{Change, Table, Walk};
use crate::part::{Geometry, Part};
use crate::subject::Trouble;
use crate::subjects::naive::trouble;

/// Longest key and longest value.
pub(super) const LONGEST: usize = 255;
/// The key of the room that a planted mistake never gives back; no user has it.
pub(super) const LEAK: &[u8] = b"\0";

/// A running store, with all settings in RAM.
#[derive(Debug)]
pub struct ReferenceStore {
    pub(super) part: Part,
    pub(super) geometry: Geometry,
    pub(super) bug: Option<Bug>,
    /// The sector that counts, and its sequence number.
    pub(super) sector: u32,
    pub(super) sequence: u32,
    pub(super) table: Table,
    /// Where in the sector the next record may begin.
    pub(super) at: usize,
    /// Whether this power-up has written into the head what proves that it is the head, and that
    /// the next sector is not.
    pub(super) sure: bool,
    /// How many slots of the head were used when this power-up began.
    pub(super) decided: usize,
    /// How to settle the log, if this power-up found it at rest and has not written anything.
    pub(super) resting: Option<Settling>,
    /// The flag after the rest record that this power-up wrote, until it writes something else.
    pub(super) flag: Option<usize>,
    /// Whether the next sector was erased in this power-up and nothing has been written to it
    /// since.
    pub(super) spare_erased: bool,
    pub(super) planted: PlantedState,
}

/// How the log is to be settled.
#[derive(Clone, Debug)]
pub(super) struct Settling {
    pub(super) walk: Walk,
    /// The page for the settle record, if there is one.
    pub(super) page: Option<usize>,
    /// How many slots it denies.
    pub(super) decided: usize,
}

/// State that only planted mistakes need.
#[derive(Debug, Default)]
pub(super) struct PlantedState {
    pub(super) oldest: Table,
    pub(super) read_only: bool,
    pub(super) corrupt: Option<Vec<u8>>,
    pub(super) not_listed: BTreeSet<Vec<u8>>,
    pub(super) clear_requested: bool,
    pub(super) late_flag: Option<usize>,
    /// Bytes of all records written since a mount that found a log; `None` if the mount formatted
    /// the part.
    pub(super) written: Option<usize>,
}

impl ReferenceStore {
    pub(super) fn has(&self, bug: Bug) -> bool {
        self.bug == Some(bug)
    }

    pub(super) fn codec(&self) -> Codec {
        Codec::new(self.bug, self.sequence)
    }

    pub(super) fn page(&self) -> usize {
        self.geometry.page as usize
    }

    pub(super) const fn next_sector(&self) -> u32 {
        (self.sector + 1) % self.geometry.sectors
    }

    pub(super) fn address(&self, sector: u32, at: usize) -> u32 {
        // A place within a sector is less than the sector's size, which is a u32.
        sector * self.geometry.sector_bytes + u32::try_from(at).unwrap_or(u32::MAX)
    }

    pub(super) fn read(&self, sector: u32, at: usize, out: &mut [u8]) -> Result<(), Trouble> {
        self.part.chip_mut().read(self.address(sector, at), out).map_err(trouble)
    }

    pub(super) fn read_sector(&self, sector: u32) -> Result<Vec<u8>, Trouble> {
        let mut bytes = vec![0; self.geometry.sector_bytes as usize];
        self.read(sector, 0, &mut bytes)?;
        Ok(bytes)
    }

    /// Programs bytes and reads them back. Returns whether the place took them.
    pub(super) fn takes(&self, sector: u32, at: usize, bytes: &[u8]) -> Result<bool, Trouble> {
        self.part.chip_mut().program(self.address(sector, at), bytes).map_err(trouble)?;
        let mut back = vec![0; bytes.len()];
        self.read(sector, at, &mut back)?;
        Ok(back == bytes)
    }

    /// The same where no other place will do.
    pub(super) fn program(&self, sector: u32, at: usize, bytes: &[u8]) -> Result<(), Trouble> {
        if self.takes(sector, at, bytes)? {
            return Ok(());
        }
        Err(Trouble::Broken("a program did not take effect".to_owned()))
    }

    pub(super) fn erase(&self, sector: u32) -> Result<(), Trouble> {
        let from = self.address(sector, 0);
        let to = from + self.geometry.sector_bytes;
        self.part.chip_mut().erase(from, to).map_err(trouble)
    }

    /// Programs a decision into the next slot of a sector: from `from` on, the one after all that
    /// are not blank. Returns whether there was one.
    pub(super) fn decide(
        &self,
        sector: u32,
        from: usize,
        decision: Decision,
    ) -> Result<bool, Trouble> {
        let mut bytes = [0; SLOT_BYTES];
        self.read(sector, OPENING, &mut bytes)?;
        let slots = Slots(&bytes);
        let first = match self.bug {
            Some(Bug::SlotReused) => {
                let last = (0..SLOTS).rfind(|&slot| slots.decision(slot).is_some());
                last.map_or(from, |slot| (slot + 1).max(from))
            }
            _ => slots.used().max(from),
        };
        for slot in first..SLOTS {
            let at = OPENING + slot * SLOT;
            let tagged = self.has(Bug::SlotWithoutTag) || self.takes(sector, at, &[0])?;
            if tagged && self.takes(sector, at + 1, &[decision as u8])? {
                return Ok(true);
            }
        }
        Ok(false)
    }

    pub(super) fn get(&self, key: &[u8]) -> Result<Option<&[u8]>, Trouble> {
        if self.planted.corrupt.as_deref() == Some(key) {
            return Err(Trouble::Corrupt);
        }
        Ok(self.table.get(key).map(Vec::as_slice))
    }

    pub(super) fn keys(&self) -> impl Iterator<Item = &[u8]> {
        let listed = |key: &&Vec<u8>| *key != LEAK && !self.planted.not_listed.contains(*key);
        self.table.keys().filter(listed).map(Vec::as_slice)
    }
}

pub(super) fn is_blank(bytes: &[u8]) -> bool {
    bytes.iter().all(|byte| *byte == 0xFF)
}

/// The settings after these changes.
pub(super) fn with(table: &Table, changes: &[Change]) -> Table {
    let mut table = table.clone();
    for (key, value) in changes {
        match value {
            Some(value) => table.insert(key.clone(), value.clone()),
            None => table.remove(key),
        };
    }
    table
}
