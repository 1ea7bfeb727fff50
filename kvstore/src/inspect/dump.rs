//! A dump as a flash, so that the code of a mount can read it.

use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash};

/// Bytes that can be read, and neither programmed nor erased. What a dump does not have cannot be
/// read.
#[derive(Clone, Copy, Debug)]
pub(super) struct Dump<'a>(pub(super) &'a [u8]);

impl ErrorType for Dump<'_> {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for Dump<'_> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, out: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        let from = offset as usize;
        // Not "out of bounds", which would be a mistake of the caller.
        let bytes = self.0.get(from..from + out.len()).ok_or(NorFlashErrorKind::Other)?;
        out.copy_from_slice(bytes);
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.0.len()
    }
}

impl NorFlash for Dump<'_> {
    const WRITE_SIZE: usize = 1;
    const ERASE_SIZE: usize = 1;

    fn erase(&mut self, _: u32, _: u32) -> Result<(), NorFlashErrorKind> {
        Err(NorFlashErrorKind::Other)
    }

    fn write(&mut self, _: u32, _: &[u8]) -> Result<(), NorFlashErrorKind> {
        Err(NorFlashErrorKind::Other)
    }
}
