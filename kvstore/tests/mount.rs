//! A store that is made once and mounted again in place, with keys that are hard to tell apart.
//!
//! Method: random puts and deletes on a flash whose power fails at random steps. After each cut,
//! and from time to time without one, the store is mounted in place and compared with a map.

use std::cell::Cell;
use std::collections::BTreeMap;
use std::rc::Rc;

use outlast_kvstore::embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash,
};
use outlast_kvstore::{Error, Layout, Store};

const SECTOR: usize = 1024;

/// Programs and erases left until the power fails, if it is to fail. The last one is half done.
type Power = Rc<Cell<Option<u32>>>;

struct Flash {
    cells: Vec<u8>,
    power: Power,
}

#[derive(Debug, PartialEq, Eq)]
struct Cut;

impl NorFlashError for Cut {
    fn kind(&self) -> NorFlashErrorKind {
        NorFlashErrorKind::Other
    }
}

impl Flash {
    /// Counts a step, and returns how many of its bytes are done.
    fn step(&mut self, bytes: usize) -> usize {
        match self.power.get() {
            None => bytes,
            Some(0) => 0,
            Some(left) => {
                self.power.set(Some(left - 1));
                if left == 1 { bytes / 2 } else { bytes }
            }
        }
    }

    fn outcome(&self) -> Result<(), Cut> {
        if self.power.get() == Some(0) { Err(Cut) } else { Ok(()) }
    }
}

impl ErrorType for Flash {
    type Error = Cut;
}

impl ReadNorFlash for Flash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, at: u32, out: &mut [u8]) -> Result<(), Cut> {
        out.copy_from_slice(&self.cells[at as usize..][..out.len()]);
        self.outcome()
    }

    fn capacity(&self) -> usize {
        self.cells.len()
    }
}

impl NorFlash for Flash {
    const WRITE_SIZE: usize = 1;
    const ERASE_SIZE: usize = SECTOR;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Cut> {
        let done = self.step((to - from) as usize);
        self.cells[from as usize..][..done].fill(0xFF);
        self.outcome()
    }

    fn write(&mut self, at: u32, bytes: &[u8]) -> Result<(), Cut> {
        let done = self.step(bytes.len());
        for (cell, byte) in self.cells[at as usize..].iter_mut().zip(&bytes[..done]) {
            *cell &= byte;
        }
        self.outcome()
    }
}

fn closed(power: &Power) -> Store<Flash, 32> {
    let flash = Flash { cells: vec![0xFF; 4 * SECTOR], power: Rc::clone(power) };
    let layout = Layout::serial_nor().with_sector_bytes(SECTOR as u32);
    let Ok(store) = Store::new(flash, &layout) else { panic!("the layout fits") };
    store
}

/// Keys of many lengths that differ only in their last byte, and pairs of keys with the same
/// CRC-32C, which the index uses as its hash. The CRC register combines with the next four bytes by
/// exclusive or, so the four bytes that cancel an earlier difference can be computed (common
/// practice, no source).
fn keys() -> Vec<Vec<u8>> {
    let mut keys = Vec::new();
    for len in [1, 2, 15, 16, 17, 32, 37, 63, 64] {
        for last in [b'a', b'b'] {
            let mut key = vec![b'x'; len];
            key[len - 1] = last;
            keys.push(key);
        }
    }
    for (len, differs_at) in [(8, 2), (40, 10), (40, 20), (64, 16), (64, 59)] {
        let start = vec![b'k'; len - 4];
        let mut other = start.clone();
        other[differs_at] = b'q';
        let makes_up = crc32c::crc32c(&start) ^ crc32c::crc32c(&other);
        let one = [&start[..], &[0; 4]].concat();
        let two = [&other[..], &makes_up.to_le_bytes()].concat();
        assert_eq!(crc32c::crc32c(&one), crc32c::crc32c(&two));
        keys.extend([one, two]);
    }
    keys
}

fn check(store: &mut Store<Flash, 32>, expected: &BTreeMap<Vec<u8>, Vec<u8>>) {
    let mut buffer = [0; 64];
    for key in keys() {
        let value = store.get(&key, &mut buffer).unwrap();
        assert_eq!(value, expected.get(&key).map(Vec::as_slice), "{key:?}");
    }
    assert_eq!(store.usage().keys, expected.len());
}

#[test]
fn a_store_that_is_not_mounted_takes_no_calls() {
    let mut store = closed(&Power::default());
    assert_eq!(store.put("a", b"1"), Err(Error::ReopenNeeded));
    assert_eq!(store.get("a", &mut [0; 8]), Err(Error::ReopenNeeded));
    assert_eq!(store.clear(), Err(Error::ReopenNeeded));
    store.mount().unwrap();
    store.put("a", b"1").unwrap();
    assert_eq!(store.get("a", &mut [0; 8]), Ok(Some(&b"1"[..])));
}

#[test]
fn a_store_is_mounted_again_after_a_power_cut() {
    let power = Power::default();
    let mut store = closed(&power);
    store.mount().unwrap();
    let keys = keys();
    let mut expected = BTreeMap::new();
    let mut x = 1_u32;
    let (mut cuts, mut nested) = (0, 0);
    for round in 0..6000_u32 {
        x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        if power.get().is_none() {
            power.set(Some(1 + (x >> 16) % 60));
        }
        let key = &keys[(x >> 8) as usize % keys.len()];
        let value = vec![round as u8; (x >> 20) as usize % 24];
        let before = expected.clone();
        let done = if x >> 29 == 0 {
            expected.remove(key);
            store.delete(key).map(drop)
        } else {
            expected.insert(key.clone(), value.clone());
            store.put(key, &value)
        };
        if let Err(error) = done {
            assert_eq!(error, Error::Flash(Cut));
            assert_eq!(store.put("a", b"1"), Err(Error::ReopenNeeded));
            cuts += 1;
            // A mount that is cut leaves the store closed; the next one opens it.
            power.set(Some(1 + (x >> 12) % 5));
            if store.mount().is_err() {
                assert_eq!(store.get("a", &mut [0; 8]), Err(Error::ReopenNeeded));
                nested += 1;
                power.set(None);
                store.mount().unwrap();
            }
            power.set(None);
            let mut buffer = [0; 64];
            let value = store.get(key, &mut buffer).unwrap().map(<[u8]>::to_vec);
            if value.as_ref() == before.get(key) {
                expected = before;
            }
            check(&mut store, &expected);
        } else if round % 64 == 0 {
            // Also without a cut.
            power.set(None);
            store.mount().unwrap();
            check(&mut store, &expected);
        }
    }
    assert!(cuts > 100 && nested > 20, "{cuts} {nested}");
}
