//! Logs that this store leaves only with damage, or never.
//!
//! Goal: nothing is written beyond its sector, no number overflows, and what was acknowledged stays
//! or is reported. Method: logs are written by hand as `kvstore/FORMAT.md` describes them, on a
//! flash that fails reads on demand and panics when the store leaves its range. Such a log looks
//! like this:
//!
//! ```text
//! sector: | opening, 31 bytes | mark | record | record | ...
//! record: | header, 4 bytes | key | value | CRC-32C, 4 bytes | zero count, 2 bytes |
//! ```

use std::cell::RefCell;
use std::rc::Rc;

use outlast_kvstore::embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash,
};
use outlast_kvstore::{Error, Layout, Store};

/// A part whose reads can be made to fail, and that panics when a store leaves its range.
#[derive(Default)]
struct Cells {
    bytes: Vec<u8>,
    /// An address, and how many reads of it fail from now on.
    failing: Option<(u32, u32)>,
    range_end: u32,
}

#[derive(Clone)]
struct Flash<const UNIT: usize>(Rc<RefCell<Cells>>);

impl<const UNIT: usize> Flash<UNIT> {
    fn new(range_end: u32) -> Self {
        let bytes = vec![0xFF; 4 * 4096];
        Self(Rc::new(RefCell::new(Cells { bytes, failing: None, range_end })))
    }

    fn copy(&self) -> Self {
        let Cells { ref bytes, range_end, .. } = *self.0.borrow();
        let bytes = bytes.clone();
        Self(Rc::new(RefCell::new(Cells { bytes, failing: None, range_end })))
    }

    fn set(&self, at: u32, bytes: &[u8]) {
        self.0.borrow_mut().bytes[at as usize..][..bytes.len()].copy_from_slice(bytes);
    }

    fn find_last(&self, what: &[u8]) -> u32 {
        let cells = self.0.borrow();
        let found = cells.bytes.windows(what.len()).rposition(|window| window == what);
        found.expect("it was written") as u32
    }

    fn open(&self) -> Result<Store<Self, 32>, Error<NorFlashErrorKind>> {
        Store::open(self.clone(), self.layout())
    }

    fn layout(&self) -> Layout {
        Layout::serial_nor().with_range(0..self.0.borrow().range_end)
    }
}

impl<const UNIT: usize> ErrorType for Flash<UNIT> {
    type Error = NorFlashErrorKind;
}

impl<const UNIT: usize> ReadNorFlash for Flash<UNIT> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, at: u32, out: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        let mut cells = self.0.borrow_mut();
        let unit = UNIT as u32;
        if let Some((bad, left @ 1..)) = &mut cells.failing
            && at < *bad / unit * unit + unit
            && *bad / unit * unit < at + out.len() as u32
        {
            *left -= 1;
            return Err(NorFlashErrorKind::Other);
        }
        out.copy_from_slice(&cells.bytes[at as usize..][..out.len()]);
        Ok(())
    }

    fn capacity(&self) -> usize {
        4 * 4096
    }
}

impl<const UNIT: usize> NorFlash for Flash<UNIT> {
    const WRITE_SIZE: usize = UNIT;
    const ERASE_SIZE: usize = 4096;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        let mut cells = self.0.borrow_mut();
        assert!(to <= cells.range_end, "an erase outside the range");
        cells.bytes[from as usize..to as usize].fill(0xFF);
        Ok(())
    }

    fn write(&mut self, at: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        let mut cells = self.0.borrow_mut();
        assert!(at + bytes.len() as u32 <= cells.range_end, "a program outside the range");
        assert_eq!(at / 4096, (at + bytes.len() as u32 - 1) / 4096, "a program beyond the sector");
        for (cell, byte) in cells.bytes[at as usize..].iter_mut().zip(bytes) {
            *cell &= byte;
        }
        Ok(())
    }
}

/// The parts of the format that are written here, as `kvstore/FORMAT.md` has them.
mod format {
    pub(super) fn u24(value: u32) -> Vec<u8> {
        value.to_le_bytes()[..3].to_vec()
    }

    /// The sector info, in openings and settle records, of a sector with no sector before it.
    pub(super) fn sector_info(epoch: u32, sequence: u32) -> Vec<u8> {
        let generation = [epoch.to_le_bytes(), sequence.to_le_bytes()].concat();
        [generation, vec![0; 5], u24(32)].concat()
    }

    pub(super) fn opening(sectors: u8, info: &[u8]) -> Vec<u8> {
        let page_256_unit_1 = 8 << 3;
        let start = [0x0A, 0x57, 1, page_256_unit_1, 0, 0x10, 0, sectors, 0];
        let mut bytes = [&start[..], info, &[0; 6]].concat();
        crate::opening::seal(&mut bytes);
        bytes
    }

    pub(super) fn header(kind: u32, key_len: u32, value_len: u32) -> [u8; 4] {
        let fields = kind | key_len.saturating_sub(1) << 3 | value_len << 9;
        let word = fields | (crc32c::crc32c(&fields.to_le_bytes()) & 31) << 22;
        (word | (word.count_zeros() - 5) << 27).to_le_bytes()
    }

    /// A record without padding. The check covers the first 8 bytes of the sector info.
    pub(super) fn record(kind: u32, key: &[u8], value: &[u8], info: &[u8], offset: u32) -> Vec<u8> {
        let header = header(kind, key.len() as u32, value.len() as u32);
        let mut bytes = [&header[..], key, value].concat();
        let seed = crc32c::crc32c(&[&info[..8], &offset.to_le_bytes()].concat());
        bytes.extend(crc32c::crc32c_append(seed, &bytes).to_le_bytes());
        let zeros: u32 = bytes.iter().map(|byte| byte.count_zeros()).sum();
        bytes.extend((zeros as u16).to_be_bytes());
        bytes
    }
}

const PUT: u32 = 1;
const PENDING_PUT: u32 = 3;
const COMMIT: u32 = 5;
const SETTLE: u32 = 6;

/// A store of two sectors that holds one setting.
fn store_in_its_last_days(epoch: u32, sequence: u32) -> Flash<1> {
    let flash = Flash::new(2 * 4096);
    let info = format::sector_info(epoch, sequence);
    let base = sequence % 2 * 4096;
    flash.set(base, &format::opening(2, &info));
    flash.set(base + 31, &[0]);
    flash.set(base + 32, &format::record(PUT, b"old", b"value", &info, 32));
    flash
}

/// Near the last sequence number a store accepts changes until it reports that it can accept no
/// more, and it keeps those it accepted.
#[test]
fn sequence_numbers_end_cleanly() {
    for before in 4..8 {
        let flash = store_in_its_last_days(0, u32::MAX - before);
        let mut last = None;
        let mut refused = 0;
        for number in 0..200_u32 {
            let Ok(mut store) = flash.open() else { break };
            match store.put("level", &number.to_le_bytes().repeat(50)) {
                Ok(()) => last = Some(number),
                Err(error) => {
                    assert!(matches!(error, Error::Full), "{error}");
                    refused += 1;
                }
            }
        }
        assert!(refused > 0, "it went on after the last number");
        // Nothing is lost; a mount that would need a compaction says so.
        match flash.open() {
            Ok(mut store) => {
                let mut buffer = [0; 200];
                let level = store.get("level", &mut buffer).unwrap();
                assert_eq!(level, last.map(|n| n.to_le_bytes().repeat(50)).as_deref());
            }
            Err(error) => assert!(matches!(error, Error::Full), "{error}"),
        }
        let mut store = Store::<_, 32>::format(flash.clone(), flash.layout()).unwrap();
        assert_eq!(store.get("old", &mut [0; 8]), Ok(None));
        store.put("new", b"value").unwrap();
        assert_eq!(flash.open().unwrap().get("new", &mut [0; 8]), Ok(Some(&b"value"[..])));
    }
}

/// A reset with the last epoch is refused, and a format starts afresh.
#[test]
fn epochs_end_cleanly() {
    let flash = store_in_its_last_days(u32::MAX - 1, 2);
    let mut store = flash.open().unwrap();
    assert_eq!(store.clear(), Err(Error::Full));
    let mut store = flash.open().unwrap();
    assert_eq!(store.get("old", &mut [0; 8]), Ok(Some(&b"value"[..])));
    for epoch in [u32::MAX, u32::MAX - 1, u32::MAX - 2] {
        let flash = store_in_its_last_days(epoch, 2);
        let mut store = Store::<_, 32>::format(flash.clone(), flash.layout()).unwrap();
        assert_eq!(store.get("old", &mut [0; 8]), Ok(None));
        assert_eq!(flash.open().unwrap().get("old", &mut [0; 8]), Ok(None), "{epoch}");
    }
}

/// A header decays while the store is open. The damaged key is reported for as long as the store is
/// open, and no other key ever reverts to an older value, however often its place is used again.
#[test]
fn a_header_that_decays_costs_only_its_key() {
    let flash = Flash::<1>::new(3 * 4096);
    let mut store = flash.open().unwrap();
    store.put("A", &[0xAA; 40]).unwrap();
    let header = flash.find_last(&[0xAA; 40]) - 5;
    let byte = flash.0.borrow().bytes[header as usize];
    flash.set(header, &[byte ^ 8]);
    let mut last = [const { Vec::new() }; 3];
    for number in 0..4000_u32 {
        let random = number.wrapping_mul(2_654_435_761) >> 7;
        let key = [0, 0, 0, 0, 0, 0, 0, 1, 1, 2][random as usize % 10];
        let mut value = vec![key as u8; 8 + random as usize / 16 % 50];
        value[..4].copy_from_slice(&number.to_le_bytes());
        store.put(["B", "C", "D"][key], &value).unwrap();
        last[key] = value;
        if number < 300 || number % 7 == 0 {
            assert_eq!(store.get("A", &mut [0; 64]), Err(Error::Corrupt), "after {number}");
        }
        // Later only the third use of the old place could show it.
        if number > 100 && number % 3 == 0 {
            let mut again = flash.copy().open().unwrap();
            for (key, value) in ["B", "C", "D"].iter().zip(&last) {
                let wanted = Some(&value[..]).filter(|value| !value.is_empty());
                assert_eq!(again.get(key, &mut [0; 64]), Ok(wanted), "{key} after {number}");
            }
        }
    }
    store.put("A", b"anew").unwrap();
    assert_eq!(store.get("A", &mut [0; 64]), Ok(Some(&b"anew"[..])));
}

/// A header cannot be read while the room for a compaction is counted, and can be while its record
/// is moved. The compaction ends before it counts, nothing is written beyond its sector, and
/// nothing is lost.
#[test]
fn a_header_that_reads_again_does_not_overfill_a_sector() {
    let mut refused = 0;
    for failing_reads in 1..12 {
        let flash = Flash::<1>::new(2 * 4096);
        let mut store = flash.open().unwrap();
        let mut keys = 0_u8;
        while store.put(&[b'k', keys], &[keys; 700]).is_ok() {
            keys += 1;
        }
        while store.usage().compactions % 2 == 1 {
            store.put(b"k\0", &[store.usage().compactions as u8; 700]).unwrap();
        }
        assert_eq!(store.put("more", &[1; 700]), Err(Error::Full));
        let header = flash.find_last(&[2; 700]) - 6;
        flash.0.borrow_mut().failing = Some((header, failing_reads));
        let result = store.put("more", &[1; 700]);
        flash.0.borrow_mut().failing = None;
        assert_eq!(result, Err(Error::Full), "{failing_reads}");
        refused += u32::from(store.put("k", b"") == Err(Error::ReopenNeeded));
        let mut store = flash.open().unwrap();
        for key in 0..keys {
            assert_eq!(
                store.get(&[b'k', key], &mut [0; 700]).map(|value| value.is_some()),
                Ok(true)
            );
        }
        assert_eq!(store.get("more", &mut [0; 700]), Ok(None));
    }
    assert!(refused > 0, "no compaction was ended");
}

/// A log whose checks all pass but whose records overlap, so that more is live than a sector holds.
#[test]
fn a_forged_log_is_not_written_beyond_its_sector() {
    let flash = Flash::<1>::new(2 * 4096);
    let info = format::sector_info(0, 2);
    flash.set(0, &format::opening(2, &info));
    flash.set(31, &[0]);
    // The value holds two headers of pending records, which a commit in a settle record names.
    let mut value = vec![0x55; 2989];
    for (at, name) in [(50, b"p1"), (1462, b"p2")] {
        let header = format::header(PENDING_PUT, 2, 1400);
        value[at - 37..][..4].copy_from_slice(&header);
        value[at - 33..][..2].copy_from_slice(name);
    }
    flash.set(32, &format::record(PUT, b"B", &value, &info, 32));
    flash.set(0xC00, &[0]);
    let extent = [format::u24(50), format::u24(2874)].concat();
    let carried = format::record(COMMIT, b"", &extent, &info, 0xC01 + 4 + 19);
    let said = [format::u24(3032), info.clone(), carried].concat();
    flash.set(0xC01, &format::record(SETTLE, b"", &said, &info, 0xC01));
    flash.set(0xC2E, &format::record(PUT, b"z", &[7; 967], &info, 0xC2E));
    assert_eq!(flash.open().err(), Some(Error::Full));
}

/// The record that a settle record carries does not start on a unit. The unit after it cannot be
/// read.
#[test]
fn an_unreadable_neighbour_of_a_carried_record_does_not_hurt_it() {
    for len in 1..24 {
        let flash = Flash::<8>::new(4 * 4096);
        let value = vec![b'v'; len];
        flash.open().unwrap().put("carried", &value).unwrap();
        let mut store = flash.open().unwrap();
        store.put("follow", &[len as u8 | 0x80; 9]).unwrap();
        // The settle record's trailer stands between the two.
        let following = flash.find_last(&[len as u8 | 0x80; 9]) - 10;
        flash.0.borrow_mut().failing = Some((following - 1, u32::MAX));
        assert_eq!(store.get("carried", &mut [0; 64]), Ok(Some(&value[..])), "{len}");
    }
}
