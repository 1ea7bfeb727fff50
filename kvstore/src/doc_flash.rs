// The flash of the examples in the documentation: bytes in RAM that behave as a serial NOR chip.

use outlast_kvstore::embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash,
};

pub struct Flash(pub Vec<u8>);

impl Flash {
    /// A blank flash of four sectors.
    pub fn blank() -> Self {
        Self(vec![0xFF; 4 * Self::ERASE_SIZE])
    }
}

#[derive(Debug, PartialEq, Eq)]
pub struct Never;

impl NorFlashError for Never {
    fn kind(&self) -> NorFlashErrorKind {
        NorFlashErrorKind::Other
    }
}

impl ErrorType for Flash {
    type Error = Never;
}

impl ReadNorFlash for Flash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, at: u32, out: &mut [u8]) -> Result<(), Never> {
        out.copy_from_slice(&self.0[at as usize..][..out.len()]);
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.0.len()
    }
}

impl NorFlash for Flash {
    const WRITE_SIZE: usize = 1;
    const ERASE_SIZE: usize = 4096;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Never> {
        self.0[from as usize..to as usize].fill(0xFF);
        Ok(())
    }

    fn write(&mut self, at: u32, bytes: &[u8]) -> Result<(), Never> {
        for (cell, byte) in self.0[at as usize..].iter_mut().zip(bytes) {
            *cell &= byte;
        }
        Ok(())
    }
}
