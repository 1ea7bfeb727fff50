//! How much RAM a store takes.

use outlast_kvstore::Store;
use outlast_kvstore::embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash,
};

/// A driver that takes no RAM.
struct NoDriver;

#[derive(Debug)]
struct NoError;

impl NorFlashError for NoError {
    fn kind(&self) -> NorFlashErrorKind {
        NorFlashErrorKind::Other
    }
}

impl ErrorType for NoDriver {
    type Error = NoError;
}

impl ReadNorFlash for NoDriver {
    const READ_SIZE: usize = 1;

    fn read(&mut self, _: u32, _: &mut [u8]) -> Result<(), NoError> {
        Err(NoError)
    }

    fn capacity(&self) -> usize {
        0
    }
}

impl NorFlash for NoDriver {
    const WRITE_SIZE: usize = 1;
    const ERASE_SIZE: usize = 1;

    fn erase(&mut self, _: u32, _: u32) -> Result<(), NoError> {
        Err(NoError)
    }

    fn write(&mut self, _: u32, _: &[u8]) -> Result<(), NoError> {
        Err(NoError)
    }
}

/// Bytes of RAM of a store with room for `keys` keys, on this host. The driver and its last error
/// are not included.
#[must_use]
pub fn ram_bytes(keys: u32) -> u64 {
    const PLACES: usize = 64;
    const PER_KEY: usize = 8;
    let fixed = size_of::<Store<NoDriver, PLACES>>() - PLACES * PER_KEY;
    fixed as u64 + PER_KEY as u64 * u64::from(keys)
}
