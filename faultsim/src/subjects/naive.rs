//! Settings as a table in a sector that is rewritten at every change.
//!
//! This is the simplest thing that works as long as the power stays on, and it is still common in
//! firmware: read the sector into RAM, change it, erase the sector, write it back. With more than
//! one sector, each holds a table of its own and the settings are distributed over them.

use super::table::{Table, changes};
use crate::checksum::crc32;
use crate::part::{Geometry, Part, PartError};
use crate::subject::{KeyNames, Op, Subject, Trouble};

/// Bytes of the header: length and CRC-32 of the table that follows.
const HEADER: usize = 8;

/// The subject. It has no parameters.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Naive;

/// A running store. It keeps nothing in RAM.
#[derive(Debug)]
pub struct NaiveStore {
    part: Part,
    geometry: Geometry,
}

impl Subject for Naive {
    type Store = NaiveStore;

    fn name(&self) -> &'static str {
        "naive"
    }

    fn works_when_full(&self) -> bool {
        true
    }

    fn open(&self, part: &Part) -> Result<NaiveStore, Trouble> {
        let geometry = part.chip().geometry();
        Ok(NaiveStore { part: part.clone(), geometry })
    }

    fn apply(&self, store: &mut NaiveStore, op: &Op, keys: &KeyNames) -> Result<(), Trouble> {
        let changes = changes(op, keys);
        for sector in 0..store.geometry.sectors {
            let mut table = store.load(sector)?;
            let mut changed = false;
            if *op == Op::Clear {
                changed = table != Table::default();
                table = Table::default();
            }
            for (key, value) in &changes {
                if store.sector_of(key.as_bytes()) == sector {
                    changed |= table.set(key, *value);
                }
            }
            if changed {
                store.rewrite(sector, &table)?;
            }
        }
        Ok(())
    }

    fn get(&self, store: &mut NaiveStore, key: &str, out: &mut Vec<u8>) -> Result<bool, Trouble> {
        let table = store.load(store.sector_of(key.as_bytes()))?;
        out.clear();
        Ok(table.get(key.as_bytes()).map(|value| out.extend(value)).is_some())
    }

    fn list(
        &self,
        store: &mut NaiveStore,
        each: &mut dyn FnMut(&[u8]),
    ) -> Option<Result<(), Trouble>> {
        for sector in 0..store.geometry.sectors {
            match store.load(sector) {
                Ok(table) => table.keys().for_each(&mut *each),
                Err(trouble) => return Some(Err(trouble)),
            }
        }
        Some(Ok(()))
    }
}

impl NaiveStore {
    fn sector_of(&self, key: &[u8]) -> u32 {
        crc32(key.iter().copied()) % self.geometry.sectors
    }

    /// The table of a sector, or an empty one if the sector does not hold a valid table.
    fn load(&self, sector: u32) -> Result<Table, Trouble> {
        let at = sector * self.geometry.sector_bytes;
        let mut header = [0; HEADER];
        self.read(at, &mut header)?;
        let [l0, l1, l2, l3, c0, c1, c2, c3] = header;
        let len = u32::from_le_bytes([l0, l1, l2, l3]) as usize;
        if len > self.room() {
            return Ok(Table::default());
        }
        let mut bytes = vec![0; len];
        self.read(at + HEADER as u32, &mut bytes)?;
        if crc32(bytes.iter().copied()) != u32::from_le_bytes([c0, c1, c2, c3]) {
            return Ok(Table::default());
        }
        Ok(Table::parse(&bytes).unwrap_or_default())
    }

    fn rewrite(&self, sector: u32, table: &Table) -> Result<(), Trouble> {
        let body = table.bytes()?;
        if body.len() > self.room() {
            return Err(Trouble::Full);
        }
        let len = u32::try_from(body.len()).map_err(|_| Trouble::Full)?;
        let mut bytes = len.to_le_bytes().to_vec();
        bytes.extend(crc32(body.iter().copied()).to_le_bytes());
        bytes.extend(body);
        bytes.resize(bytes.len().next_multiple_of(self.geometry.unit as usize), 0xFF);
        let at = sector * self.geometry.sector_bytes;
        let mut chip = self.part.chip_mut();
        chip.erase(at, at + self.geometry.sector_bytes).map_err(trouble)?;
        chip.program(at, &bytes).map_err(trouble)
    }

    fn read(&self, at: u32, out: &mut [u8]) -> Result<(), Trouble> {
        self.part.chip_mut().read(at, out).map_err(trouble)
    }

    /// Bytes available for a table in one sector. The padding to whole units needs none of them.
    fn room(&self) -> usize {
        self.geometry.sector_bytes as usize - HEADER
    }
}

/// Converts an error of the part, as the subjects of this crate pass it on.
pub(crate) fn trouble(error: PartError) -> Trouble {
    error.into()
}
