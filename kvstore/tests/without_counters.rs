//! A store with counters in a build without them is named as such, and nothing is written.
//!
//! The images are made by `tests/store/counters.rs` of the workspace. This needs a build of this
//! package alone, since in the workspace other packages enable the feature.

#![cfg(not(feature = "counters"))]

use outlast_kvstore::embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash,
};
use outlast_kvstore::{Error, Found, Layout, Store, View};

/// Flash that can be read only.
struct Protected(&'static [u8]);

impl ErrorType for Protected {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for Protected {
    const READ_SIZE: usize = 1;

    fn read(&mut self, at: u32, out: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        out.copy_from_slice(&self.0[at as usize..][..out.len()]);
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.0.len()
    }
}

impl NorFlash for Protected {
    const WRITE_SIZE: usize = 1;
    const ERASE_SIZE: usize = 512;

    fn erase(&mut self, from: u32, _: u32) -> Result<(), NorFlashErrorKind> {
        panic!("an erase at {from}")
    }

    fn write(&mut self, at: u32, _: &[u8]) -> Result<(), NorFlashErrorKind> {
        panic!("a program at {at}")
    }
}

#[test]
fn a_store_with_counters_is_refused_without_the_feature() {
    let layout = Layout::serial_nor().with_sector_bytes(512).with_page_bytes(64);
    let resting = &include_bytes!("counters_resting.bin")[..];
    let interrupted = &include_bytes!("counters_interrupted.bin")[..];
    for image in [resting, interrupted] {
        let store = Store::<_, 8>::open(Protected(image), layout.clone());
        assert_eq!(store.err(), Some(Error::NotAStore(Found::Counters)));
        let view = View::<_, 8>::open(Protected(image), layout.clone());
        assert_eq!(view.err(), Some(Error::NotAStore(Found::Counters)));
    }
}
