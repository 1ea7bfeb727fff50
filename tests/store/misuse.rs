//! Mistakes of the program that uses the store.
//!
//! Goal: a call that the driver refuses as wrong is reported as such, never as damage, and costs
//! nothing that is stored. Method: a part that refuses reads from a limit on, or all of them, as
//! misaligned or out of bounds.

use std::cell::Cell;
use std::rc::Rc;

use outlast_faultsim::part::{Chip, Geometry, Nor, Part};
use outlast_kvstore::embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash,
};
use outlast_kvstore::{Error, Layout, Store, View};

/// A part whose driver refuses reads that end after a limit.
#[derive(Clone)]
struct Limited {
    nor: Nor<1, 1>,
    limit: Rc<Cell<u32>>,
    kind: NorFlashErrorKind,
}

impl ErrorType for Limited {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for Limited {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        if offset + bytes.len() as u32 > self.limit.get() {
            return Err(self.kind);
        }
        self.nor.read(offset, bytes).map_err(|_| NorFlashErrorKind::Other)
    }

    fn capacity(&self) -> usize {
        self.nor.capacity()
    }
}

impl NorFlash for Limited {
    const WRITE_SIZE: usize = 1;
    const ERASE_SIZE: usize = 512;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        self.nor.erase(from, to).map_err(|_| NorFlashErrorKind::Other)
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        self.nor.write(offset, bytes).map_err(|_| NorFlashErrorKind::Other)
    }
}

#[test]
fn a_refused_call_is_no_damage() {
    for kind in [NorFlashErrorKind::NotAligned, NorFlashErrorKind::OutOfBounds] {
        let part = Part::new(Chip::new(Geometry::new(4, 1024, 1, 64).unwrap()));
        let limit = Rc::new(Cell::new(u32::MAX));
        let flash = || Limited { nor: part.nor(), limit: limit.clone(), kind };
        let layout = || Layout::serial_nor().with_sector_bytes(1024).with_page_bytes(64);
        let mut store: Store<Limited, 8> = Store::open(flash(), layout()).unwrap();
        for number in 0..8 {
            store.put(&[number], &[number; 200]).unwrap();
        }
        // Reads fail from somewhere in the log on.
        limit.set(1024 + 300);
        let image = part.chip().image().bytes().to_vec();
        let mut refused = 0;
        for number in 0..8 {
            match store.get(&[number], &mut [0; 200]) {
                Ok(value) => assert_eq!(value, Some(&[number; 200][..])),
                Err(error) => {
                    assert_eq!(error, Error::Flash(kind));
                    refused += 1;
                }
            }
        }
        limit.set(0);
        assert_eq!(store.get(&[0], &mut [0; 200]), Err(Error::Flash(kind)));
        assert_eq!(store.for_each_key(|_, _| {}), Err(Error::Flash(kind)));
        assert_eq!(store.usage().damaged_records, 0);
        for limited in [0, 1000, 2 * 1024 + 100, 3 * 1024 + 100] {
            limit.set(limited);
            let opened = Store::<Limited, 8>::open(flash(), layout());
            assert_eq!(opened.err(), Some(Error::Flash(kind)), "{limited}");
            let view = View::<Limited, 8>::open(flash(), layout());
            assert_eq!(view.err(), Some(Error::Flash(kind)), "{limited}");
        }
        assert_eq!(part.chip().image().bytes(), image);
        limit.set(u32::MAX);
        for number in 0..8 {
            assert_eq!(store.get(&[number], &mut [0; 200]), Ok(Some(&[number; 200][..])));
        }
        store.put(&[0], &[1]).unwrap();
        assert!((1..8).contains(&refused), "{refused}");
    }
}
