//! The state of a running store, and how it reads, programs and erases.

use std::collections::BTreeSet;

use super::bug::Bug;
use super::codec::{Codec, MARK, OPENING, sequence};
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
    /// Whether the next sector was erased in this power-up and nothing has been written to it
    /// since.
    pub(super) spare_erased: bool,
    pub(super) planted: PlantedState,
}

/// State that only planted mistakes need.
#[derive(Debug, Default)]
pub(super) struct PlantedState {
    pub(super) oldest: Table,
    pub(super) unsettled: Option<Walk>,
    pub(super) read_only: bool,
    pub(super) corrupt: Option<Vec<u8>>,
    pub(super) not_listed: BTreeSet<Vec<u8>>,
    pub(super) clear_requested: bool,
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

    pub(super) fn program(&self, sector: u32, at: usize, bytes: &[u8]) -> Result<(), Trouble> {
        self.part.chip_mut().program(self.address(sector, at), bytes).map_err(trouble)
    }

    /// Makes the opening of a sector void. Zeros stay: from now on it is never intact, however an
    /// erase is cut.
    pub(super) fn make_void(&self, sector: u32) -> Result<(), Trouble> {
        if self.has(Bug::VoidsIfItReads) {
            let mut bytes = [0; OPENING];
            self.read(sector, 0, &mut bytes)?;
            if sequence(&bytes, self.bug).is_none() {
                return Ok(());
            }
        }
        self.program(sector, 0, &[0; OPENING])
    }

    pub(super) fn erase(&self, sector: u32) -> Result<(), Trouble> {
        let from = self.address(sector, 0);
        let to = from + self.geometry.sector_bytes;
        self.part.chip_mut().erase(from, to).map_err(trouble)
    }

    pub(super) fn mark(&self, sector: u32) -> Result<(), Trouble> {
        self.program(sector, OPENING, &[0; MARK])
    }

    /// Makes a sector void and then erases it.
    pub(super) fn prepare(&self, sector: u32) -> Result<(), Trouble> {
        let reads_blank = match self.bug {
            Some(Bug::BlankTrusted) => is_blank(&self.read_sector(sector)?),
            Some(Bug::BlankSampled) => is_blank(&self.read_sector(sector)?[..self.page()]),
            _ => false,
        };
        if reads_blank {
            return Ok(());
        }
        if !self.has(Bug::ErasesUnvoided) {
            self.make_void(sector)?;
        }
        self.erase(sector)
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
