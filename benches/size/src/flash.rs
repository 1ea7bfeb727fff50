//! A flash that the compiler knows nothing about.

use core::hint::black_box;

use outlast_kvstore::embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash,
};

#[derive(Clone, Copy, Debug)]
pub struct Failed;

/// Stands for a driver.
#[inline(never)]
fn driver(operation: u32, at: u32, len: usize, bytes: *const u8) -> Result<(), Failed> {
    if black_box((operation, at, len, bytes)).0 == 9 { Err(Failed) } else { Ok(()) }
}

impl NorFlashError for Failed {
    fn kind(&self) -> NorFlashErrorKind {
        NorFlashErrorKind::Other
    }
}

pub struct Flash;

impl ErrorType for Flash {
    type Error = Failed;
}

impl ReadNorFlash for Flash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Failed> {
        driver(0, offset, bytes.len(), bytes.as_mut_ptr())?;
        black_box(bytes);
        Ok(())
    }

    fn capacity(&self) -> usize {
        16384
    }
}

impl NorFlash for Flash {
    const WRITE_SIZE: usize = 1;
    const ERASE_SIZE: usize = 4096;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Failed> {
        driver(1, from, to as usize, core::ptr::null())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Failed> {
        driver(2, offset, bytes.len(), bytes.as_ptr())
    }
}

pub fn flash() -> Result<Flash, Failed> {
    Ok(Flash)
}
