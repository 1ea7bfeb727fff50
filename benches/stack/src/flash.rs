//! A flash in RAM, 4 sectors of 4 KiB, that can fail in the middle of an operation.

use core::cell::Cell;

use outlast_kvstore::embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash,
};

pub const SECTOR: usize = 4096;
pub const SIZE: usize = 4 * SECTOR;

/// The power failed.
#[derive(Clone, Copy, Debug)]
pub struct Cut;

impl NorFlashError for Cut {
    fn kind(&self) -> NorFlashErrorKind {
        NorFlashErrorKind::Other
    }
}

/// Counters of a flash, and when it fails next.
#[derive(Default)]
pub struct Meter {
    pub erases: Cell<u32>,
    /// Programs and erases until one is done by half and everything fails.
    pub steps_left: Cell<Option<u32>>,
}

/// Handle to the flash. Cells, since a store that fails to open keeps the flash it was given.
#[derive(Clone, Copy)]
pub struct Ram {
    pub cells: &'static [Cell<u8>],
    pub meter: &'static Meter,
}

impl Ram {
    /// Whether the next step is done wholly.
    fn step(&self) -> Result<bool, Cut> {
        match self.meter.steps_left.get() {
            None => Ok(true),
            Some(0) => Err(Cut),
            Some(left) => {
                self.meter.steps_left.set(Some(left - 1));
                Ok(left > 1)
            }
        }
    }
}

impl ErrorType for Ram {
    type Error = Cut;
}

impl ReadNorFlash for Ram {
    const READ_SIZE: usize = 1;

    #[inline(never)]
    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Cut> {
        for (byte, cell) in bytes.iter_mut().zip(self.cells.iter().skip(offset as usize)) {
            *byte = cell.get();
        }
        if self.meter.steps_left.get() == Some(0) { Err(Cut) } else { Ok(()) }
    }

    fn capacity(&self) -> usize {
        self.cells.len()
    }
}

impl NorFlash for Ram {
    const WRITE_SIZE: usize = 1;
    const ERASE_SIZE: usize = SECTOR;

    #[inline(never)]
    fn erase(&mut self, from: u32, to: u32) -> Result<(), Cut> {
        let whole = self.step()?;
        let len = (to - from) as usize / if whole { 1 } else { 2 };
        for cell in self.cells.iter().skip(from as usize).take(len) {
            cell.set(0xFF);
        }
        self.meter.erases.set(self.meter.erases.get() + 1);
        if whole { Ok(()) } else { Err(Cut) }
    }

    #[inline(never)]
    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Cut> {
        let whole = self.step()?;
        let len = bytes.len() / if whole { 1 } else { 2 };
        for (cell, byte) in self.cells.iter().skip(offset as usize).zip(bytes).take(len) {
            cell.set(cell.get() & byte);
        }
        if whole { Ok(()) } else { Err(Cut) }
    }
}
