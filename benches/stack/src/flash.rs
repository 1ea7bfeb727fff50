//! A flash in RAM, and one whose power can fail in the middle of an operation.

use core::cell::Cell;

use outlast_kvstore::embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash,
};

pub const SECTOR: usize = 4096;
pub const SIZE: usize = 4 * SECTOR;

/// The cells in RAM, which cannot fail.
pub struct Ram<'a>(pub &'a mut [u8; SIZE]);

impl ErrorType for Ram<'_> {
    type Error = NorFlashErrorKind;
}

impl Ram<'_> {
    fn range(&mut self, offset: u32, len: usize) -> Result<&mut [u8], NorFlashErrorKind> {
        let offset = offset as usize;
        self.0.get_mut(offset..offset + len).ok_or(NorFlashErrorKind::OutOfBounds)
    }
}

impl ReadNorFlash for Ram<'_> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        bytes.copy_from_slice(self.range(offset, bytes.len())?);
        Ok(())
    }

    fn capacity(&self) -> usize {
        SIZE
    }
}

impl NorFlash for Ram<'_> {
    const WRITE_SIZE: usize = 1;
    const ERASE_SIZE: usize = SECTOR;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        self.range(from, (to - from) as usize)?.fill(0xFF);
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        let cells = self.range(offset, bytes.len())?;
        cells.iter_mut().zip(bytes).for_each(|(cell, byte)| *cell &= byte);
        Ok(())
    }
}

/// Why a flash operation failed.
#[derive(Clone, Copy, Debug)]
pub enum Failure<E> {
    /// The power failed.
    Cut,
    /// Kept because `Debug` prints it.
    Flash(#[allow(dead_code, reason = "printed by Debug")] E),
}

impl<E: NorFlashError> NorFlashError for Failure<E> {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::Cut => NorFlashErrorKind::Other,
            Self::Flash(error) => error.kind(),
        }
    }
}

/// Counts the erases, and decides when the power fails.
#[derive(Default)]
pub struct Meter {
    pub erases: Cell<u32>,
    /// Programs and erases left until one is half done and everything fails.
    pub steps_left: Cell<Option<u32>>,
}

impl Meter {
    /// Whether the next step is completed.
    fn step<E>(&self) -> Result<bool, Failure<E>> {
        match self.steps_left.get() {
            None => Ok(true),
            Some(0) => Err(Failure::Cut),
            Some(left) => {
                self.steps_left.set(Some(left - 1));
                Ok(left > 1)
            }
        }
    }
}

/// A flash whose power fails when its meter says so.
pub struct Cuttable<'m, F> {
    pub flash: F,
    pub meter: &'m Meter,
}

impl<F: NorFlash> ErrorType for Cuttable<'_, F> {
    type Error = Failure<F::Error>;
}

impl<F: NorFlash> ReadNorFlash for Cuttable<'_, F> {
    const READ_SIZE: usize = F::READ_SIZE;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
        if self.meter.steps_left.get() == Some(0) {
            return Err(Failure::Cut);
        }
        self.flash.read(offset, bytes).map_err(Failure::Flash)
    }

    fn capacity(&self) -> usize {
        self.flash.capacity()
    }
}

impl<F: NorFlash> NorFlash for Cuttable<'_, F> {
    const WRITE_SIZE: usize = F::WRITE_SIZE;
    const ERASE_SIZE: usize = F::ERASE_SIZE;

    /// An interrupted erase has zeroed some bytes: chips program zeros before they erase.
    fn erase(&mut self, from: u32, to: u32) -> Result<(), Self::Error> {
        self.meter.erases.set(self.meter.erases.get() + 1);
        if self.meter.step()? {
            return self.flash.erase(from, to).map_err(Failure::Flash);
        }
        for at in (from..to).step_by(64).take(30) {
            self.flash.write(at, &[0; 64]).map_err(Failure::Flash)?;
        }
        Err(Failure::Cut)
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
        if self.meter.step()? {
            return self.flash.write(offset, bytes).map_err(Failure::Flash);
        }
        let (done, _) = bytes.split_at(bytes.len() / 2);
        self.flash.write(offset, done).map_err(Failure::Flash)?;
        Err(Failure::Cut)
    }
}
