//! The whole table in two places that alternate.
//!
//! Every change writes the whole table, with a number that grows and a CRC, over the older of the
//! two copies. At power-up the newer intact copy counts. This is common practice in firmware, and
//! far better than rewriting in place.
//!
//! The rig finds two flaws in it. An erase that is cut during its pulses can leave a number of all
//! ones, a length of zero and a check of all ones, which is a valid copy, newer than any other and
//! empty (F2). And a copy with marginal bits may count at one power-up and not at the next (F3).

use super::naive::trouble;
use super::table::{Table, changes};
use crate::checksum::crc32;
use crate::part::{Geometry, Part};
use crate::subject::{Bounds, KeyNames, Op, Subject, Trouble, Work};

/// Bytes of the header: number of the copy, length of the table, CRC-32 over both and the table.
const HEADER: usize = 12;

/// The subject. It has no parameters and needs at least two sectors.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct TwoCopies;

/// A running store, with the table in RAM.
#[derive(Debug)]
pub struct TwoCopiesStore {
    part: Part,
    geometry: Geometry,
    table: Table,
    /// The number of the copy that counts; 0 if there is none yet.
    number: u32,
    /// Which copy that is: 0 or 1.
    place: u32,
}

impl Subject for TwoCopies {
    type Store = TwoCopiesStore;

    fn name(&self) -> &'static str {
        "two-copies"
    }

    fn works_when_full(&self) -> bool {
        true
    }

    fn open(&self, part: &Part) -> Result<TwoCopiesStore, Trouble> {
        let geometry = part.chip().geometry();
        if geometry.sectors < 2 {
            return Err(Trouble::Broken("two copies need two sectors".to_owned()));
        }
        let part = part.clone();
        let mut store =
            TwoCopiesStore { part, geometry, table: Table::default(), number: 0, place: 1 };
        for place in 0..2 {
            if let Some((number, table)) = store.load(place)?
                && number > store.number
            {
                store.number = number;
                store.table = table;
                store.place = place;
            }
        }
        Ok(store)
    }

    fn apply(&self, store: &mut TwoCopiesStore, op: &Op, keys: &KeyNames) -> Result<(), Trouble> {
        let mut table = if *op == Op::Clear { Table::default() } else { store.table.clone() };
        for (key, value) in changes(op, keys) {
            table.set(key, value);
        }
        if table == store.table {
            return Ok(());
        }
        store.write(table)
    }

    fn get(
        &self,
        store: &mut TwoCopiesStore,
        key: &str,
        out: &mut Vec<u8>,
    ) -> Result<bool, Trouble> {
        out.clear();
        Ok(store.table.get(key.as_bytes()).map(|value| out.extend(value)).is_some())
    }

    fn list(
        &self,
        store: &mut TwoCopiesStore,
        each: &mut dyn FnMut(&[u8]),
    ) -> Option<Result<(), Trouble>> {
        store.table.keys().for_each(each);
        Some(Ok(()))
    }

    fn bounds(&self, geometry: &Geometry) -> Option<Bounds> {
        Some(Bounds {
            open: Work { reads: 4, programs: 0, erases: 0 },
            op: Work { reads: 0, programs: 1, erases: (geometry.sectors / 2).into() },
        })
    }
}

impl TwoCopiesStore {
    /// The bytes that one copy may take: half of the part, in whole sectors.
    fn copy_bytes(&self) -> u32 {
        self.geometry.sectors / 2 * self.geometry.sector_bytes
    }

    fn load(&self, place: u32) -> Result<Option<(u32, Table)>, Trouble> {
        let at = place * self.copy_bytes();
        let mut header = [0; HEADER];
        self.part.chip_mut().read(at, &mut header).map_err(trouble)?;
        let word = |index: usize| {
            let [a, b, c, d] =
                [header[index], header[index + 1], header[index + 2], header[index + 3]];
            u32::from_le_bytes([a, b, c, d])
        };
        let len = word(4);
        if len > self.copy_bytes() - HEADER as u32 {
            return Ok(None);
        }
        let mut body = vec![0; len as usize];
        self.part.chip_mut().read(at + HEADER as u32, &mut body).map_err(trouble)?;
        let sum = crc32(header[..8].iter().chain(&body).copied());
        Ok(if sum == word(8) { Table::parse(&body).map(|table| (word(0), table)) } else { None })
    }

    fn write(&mut self, table: Table) -> Result<(), Trouble> {
        let body = table.bytes()?;
        let number = self.number.checked_add(1);
        let number = number.ok_or_else(|| Trouble::Refused("no copy number left".to_owned()))?;
        let place = 1 - self.place;
        let room = (self.copy_bytes() as usize).saturating_sub(HEADER);
        let len = u32::try_from(body.len()).map_err(|_| Trouble::Full)?;
        if body.len() > room {
            return Err(Trouble::Full);
        }
        let mut bytes = number.to_le_bytes().to_vec();
        bytes.extend(len.to_le_bytes());
        let sum = crc32(bytes.iter().chain(&body).copied());
        bytes.extend(sum.to_le_bytes());
        bytes.extend(body);
        bytes.resize(bytes.len().next_multiple_of(self.geometry.unit as usize), 0xFF);
        let at = place * self.copy_bytes();
        let mut chip = self.part.chip_mut();
        chip.erase(at, at + self.copy_bytes()).map_err(trouble)?;
        chip.program(at, &bytes).map_err(trouble)?;
        drop(chip);
        self.number = number;
        self.place = place;
        self.table = table;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::part::{Bias, Chip, Image};

    #[test]
    fn an_interrupted_erase_can_leave_a_valid_empty_copy() {
        let geometry = Geometry::new(2, 512, 1, 256).unwrap();
        let part = Part::new(Chip::new(geometry));
        let keys = KeyNames::new(["a"]);
        let mut store = TwoCopies.open(&part).unwrap();
        TwoCopies.apply(&mut store, &Op::Put { key: 0, value: vec![1] }, &keys).unwrap();
        let mut bytes = part.chip().image().bytes().to_vec();
        assert!(TwoCopies.get(&mut TwoCopies.open(&part).unwrap(), "a", &mut Vec::new()).unwrap());
        // The next write erases the other copy, and the power is cut during the erase.
        bytes[516..520].fill(0);
        part.chip_mut().power_up(&Image::from_bytes(&geometry, &bytes).unwrap(), Bias::ONES);
        let mut store = TwoCopies.open(&part).unwrap();
        assert_eq!(TwoCopies.get(&mut store, "a", &mut Vec::new()), Ok(false));
        let put = Op::Put { key: 0, value: vec![2] };
        let refused = TwoCopies.apply(&mut store, &put, &keys);
        assert!(matches!(refused, Err(Trouble::Refused(_))));
    }
}
