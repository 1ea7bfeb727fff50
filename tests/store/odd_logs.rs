//! Logs that this store leaves only with damage, or never.
//!
//! Goal: nothing is written beyond its sector, no number overflows, and what was acknowledged stays
//! or is reported. Method: logs are written by hand as `kvstore/FORMAT.md` describes them, on a
//! flash that fails reads on demand and panics when the store leaves its range. Such a log looks
//! like this:
//!
//! ```text
//! sector: | opening, 32 bytes | 12 slots of 5 bytes | record | record | ... | opening |
//! record: | header, 4 bytes | key | value | CRC-32C, 4 bytes | zero count, 2 bytes |
//! ```
//!
//! A record goes on after the first byte of each page, which is the page's tag.

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

    /// Writes a record, which starts at this offset of sector 0.
    fn set_record(&self, at: u32, bytes: &[u8]) {
        for (at, byte) in places(at).zip(bytes) {
            self.set(at, &[*byte]);
        }
    }

    /// As much content as that, from this offset on.
    fn content(&self, at: u32, len: usize) -> Vec<u8> {
        let cells = self.0.borrow();
        places(at).take(len).map(|at| cells.bytes[at as usize]).collect()
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

/// The offsets of a record's bytes: all from its start but the tags of pages.
fn places(start: u32) -> impl Iterator<Item = u32> {
    (start..).filter(|at| at % 256 != 0)
}

/// Where a record of this length ends.
fn end_of_record(start: u32, len: usize) -> u32 {
    let last = places(start).nth(len - 1).unwrap();
    // Otherwise it would be padded.
    assert!(last % 256 >= 10, "a record has at least ten bytes in its last page");
    last + 1
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

    /// Where the first record of a sector stands, after the opening, the slots and the trial unit.
    pub(super) const FIRST: u32 = 32 + 12 * 5 + 1;

    /// Where the second copy of an opening stands in its sector.
    pub(super) const SECOND: u32 = 4096 - 32;

    /// What the opening of a sector with no sector before it says.
    pub(super) fn sector_info(epoch: u32, sequence: u32) -> Vec<u8> {
        let generation = [epoch.to_le_bytes(), sequence.to_le_bytes()].concat();
        [generation, vec![0; 5], u24(FIRST), vec![0]].concat()
    }

    pub(super) fn opening(sectors: u8, info: &[u8]) -> Vec<u8> {
        let page_256_unit_1 = 8 << 3;
        let start = [0x0A, 0x57, 2, page_256_unit_1, 0, 0x10, 0, sectors, 0];
        let mut bytes = [&start[..], info, &[0; 6]].concat();
        crate::opening::seal(&mut bytes);
        bytes
    }

    pub(super) fn header(kind: u32, key_len: u32, value_len: u32) -> [u8; 4] {
        let fields = kind | key_len.saturating_sub(1) << 3 | value_len << 9;
        let word = fields | (crc32c::crc32c(&fields.to_le_bytes()) & 31) << 22;
        (word | (word.count_zeros() - 5) << 27).to_le_bytes()
    }

    /// A record without padding. Its check is seeded with the first 8 bytes of the sector info.
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
    for copy in [base, base + format::SECOND] {
        flash.set(copy, &format::opening(2, &info));
    }
    // A record after the proven end makes the sector the head.
    let record = format::record(PUT, b"old", b"value", &info, format::FIRST);
    flash.set(base + format::FIRST, &record);
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
            let put = |mut store: Store<_, 32>| {
                let result = store.put("level", &number.to_le_bytes().repeat(50));
                // What was refused changed nothing, and the store can still be read.
                let mut buffer = [0; 200];
                let level = store.get("level", &mut buffer).unwrap();
                let wanted = result.map_or(last, |()| Some(number));
                assert_eq!(level, wanted.map(|n| n.to_le_bytes().repeat(50)).as_deref());
                result
            };
            // A mount without room for its records needs a compaction, too.
            match flash.open().and_then(put) {
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

/// The same in a single power-up. The store can be read to the end.
#[test]
fn the_last_sequence_number_costs_no_setting() {
    for before in 4..8 {
        let flash = store_in_its_last_days(0, u32::MAX - before);
        let mut store = flash.open().unwrap();
        let accepted = (0..200_u8).take_while(|number| store.put("level", &[*number; 200]).is_ok());
        let last = accepted.last().expect("a sector has room for some");
        assert!(last < 199, "it went on after the last number");
        assert_eq!(store.get("level", &mut [0; 200]), Ok(Some(&[last; 200][..])));
        assert_eq!(store.get("old", &mut [0; 8]), Ok(Some(&b"value"[..])));
        assert_eq!(store.put("level", &[0; 200]), Err(Error::ReopenNeeded));
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

/// A header decays while the store is open. With one wrong bit it is read as before. With two, the
/// damaged key is reported for as long as the store is open. Either way no other key ever reverts to
/// an older value, however often its place is used again.
#[test]
fn a_header_that_decays_costs_only_its_key() {
    decaying_header(0x08, Ok(Some(&[0xAA; 40])));
    decaying_header(0x28, Err(Error::Corrupt));
}

fn decaying_header(wrong: u8, expected: Result<Option<&[u8]>, Error<NorFlashErrorKind>>) {
    let flash = Flash::<1>::new(3 * 4096);
    let mut store = flash.open().unwrap();
    store.put("A", &[0xAA; 40]).unwrap();
    let header = flash.find_last(&[0xAA; 40]) - 5;
    let byte = flash.0.borrow().bytes[header as usize];
    flash.set(header, &[byte ^ wrong]);
    let mut last = [const { Vec::new() }; 3];
    for number in 0..4000_u32 {
        let random = number.wrapping_mul(2_654_435_761) >> 7;
        let key = [0, 0, 0, 0, 0, 0, 0, 1, 1, 2][random as usize % 10];
        let mut value = vec![key as u8; 8 + random as usize / 16 % 50];
        value[..4].copy_from_slice(&number.to_le_bytes());
        store.put(["B", "C", "D"][key], &value).unwrap();
        last[key] = value;
        if number < 300 || number % 7 == 0 {
            assert_eq!(store.get("A", &mut [0; 64]), expected, "after {number}");
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
    for failing_reads in 1..200 {
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
        let header = flash.find_last(b"k\x02\x02\x02\x02\x02") - 4;
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
    const B: u32 = format::FIRST;
    const SETTLE_PAGE: u32 = 0xC00;
    let flash = Flash::<1>::new(2 * 4096);
    let info = format::sector_info(0, 2);
    for copy in [0, format::SECOND] {
        flash.set(copy, &format::opening(2, &info));
    }
    // The value holds two pending records, which a commit in a settle record names.
    let scratch = Flash::<1>::new(2 * 4096);
    let p1 = 120;
    let p2 = end_of_record(p1, 1312);
    for (at, name) in [(p1, b"p1"), (p2, b"p2")] {
        scratch.set_record(at, &format::record(PENDING_PUT, name, &[0x55; 1300], &info, at));
    }
    let pending_end = end_of_record(p2, 1312);
    let value = scratch.content(B + 5, 2900);
    flash.set_record(B, &format::record(PUT, b"B", &value, &info, B));
    let b_end = end_of_record(B, 2911);
    assert!(pending_end < b_end && b_end < SETTLE_PAGE);
    flash.set(SETTLE_PAGE, &[0]);
    let extent = [format::u24(p1), format::u24(pending_end)].concat();
    let settle = SETTLE_PAGE + 1;
    let carried = format::record(COMMIT, b"", &extent, &info, settle + 8);
    let said = [format::u24(b_end), vec![0], carried].concat();
    let record = format::record(SETTLE, b"", &said, &info, settle);
    flash.set_record(settle, &record);
    // So far no compaction is needed, and all three can be read.
    let mut store = flash.copy().open().unwrap();
    for (key, len) in [("B", 2900), ("p1", 1300), ("p2", 1300)] {
        assert_eq!(store.get(key, &mut [0; 4096]).unwrap().map(<[u8]>::len), Some(len), "{key}");
    }
    // After this record there is no page left to settle in.
    let z = settle + record.len() as u32;
    flash.set_record(z, &format::record(PUT, b"z", &[7; 900], &info, z));
    assert_eq!(flash.open().err(), Some(Error::Full));
}

/// The record that a settle record carries does not start on a unit. The unit after it cannot be
/// read.
#[test]
fn an_unreadable_neighbour_of_a_carried_record_does_not_hurt_it() {
    for len in 1..24 {
        let flash = Flash::<16>::new(4 * 4096);
        let value = vec![b'v'; len];
        flash.open().unwrap().put("carried", &value).unwrap();
        let mut store = flash.open().unwrap();
        let start = flash.find_last(b"carried") - 4;
        assert_ne!(start % 16, 0);
        // The trailer of the carried record, then that of the settle record.
        let end = (start + 4 + 7 + len as u32 + 6).next_multiple_of(16);
        flash.0.borrow_mut().failing = Some((end, u32::MAX));
        assert_eq!(store.get("carried", &mut [0; 64]), Ok(Some(&value[..])), "{len}");
        assert!(flash.0.borrow().failing.unwrap().1 < u32::MAX, "it was not read");
    }
}
