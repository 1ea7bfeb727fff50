//! A flash in the memory of a computer, for stores on images.

use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash, check_erase, check_read, check_write,
};

/// The smallest sector a store can have, and the smallest erase of the flashes here.
pub(crate) const ERASE_SIZE: usize = 512;

/// What a store did to the flash.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Step {
    /// Cleared bits.
    Program {
        /// First address.
        at: u32,
        /// What was programmed.
        bytes: Vec<u8>,
    },
    /// Set sectors to `FF`.
    Erase {
        /// First address.
        from: u32,
        /// The address after the last one.
        to: u32,
    },
    /// Refused to erase a sector.
    Refused {
        /// First address.
        from: u32,
    },
}

/// Bytes that behave as NOR flash with a program unit of `UNIT` bytes. They can record what is done
/// to them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ram<const UNIT: usize> {
    bytes: Vec<u8>,
    steps: Option<Vec<Step>>,
    /// First addresses of sectors that cannot be erased.
    worn: Vec<u32>,
}

impl<const UNIT: usize> Ram<UNIT> {
    /// A flash that holds `bytes`.
    #[must_use]
    pub const fn new(bytes: Vec<u8>) -> Self {
        Self { bytes, steps: None, worn: Vec::new() }
    }

    /// A flash that also keeps a list of all programs and erases.
    #[must_use]
    pub const fn recording(bytes: Vec<u8>) -> Self {
        Self { bytes, steps: Some(Vec::new()), worn: Vec::new() }
    }

    /// The same, where the sectors at these addresses cannot be erased.
    #[must_use]
    pub const fn recording_worn(bytes: Vec<u8>, worn: Vec<u32>) -> Self {
        Self { bytes, steps: Some(Vec::new()), worn }
    }

    /// The bytes, and what was done to them if that was recorded.
    #[must_use]
    pub fn into_parts(self) -> (Vec<u8>, Vec<Step>) {
        (self.bytes, self.steps.unwrap_or_default())
    }
}

/// Clears the bits of `cells` that are 0 in `bytes`.
pub(crate) fn clear_bits(cells: &mut [u8], bytes: &[u8]) {
    for (cell, byte) in cells.iter_mut().zip(bytes) {
        *cell &= byte;
    }
}

impl<const UNIT: usize> ErrorType for Ram<UNIT> {
    type Error = NorFlashErrorKind;
}

impl<const UNIT: usize> ReadNorFlash for Ram<UNIT> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, out: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        check_read(self, offset, out.len())?;
        let from = offset as usize;
        let cells = self.bytes.get(from..from + out.len()).ok_or(NorFlashErrorKind::OutOfBounds)?;
        out.copy_from_slice(cells);
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.bytes.len()
    }
}

impl<const UNIT: usize> NorFlash for Ram<UNIT> {
    const WRITE_SIZE: usize = UNIT;
    const ERASE_SIZE: usize = ERASE_SIZE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        check_erase(self, from, to)?;
        if self.worn.contains(&from) {
            self.steps.get_or_insert_default().push(Step::Refused { from });
            return Err(NorFlashErrorKind::Other);
        }
        let range = from as usize..to as usize;
        self.bytes.get_mut(range).ok_or(NorFlashErrorKind::OutOfBounds)?.fill(0xFF);
        if let Some(steps) = &mut self.steps {
            steps.push(Step::Erase { from, to });
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        check_write(self, offset, bytes.len())?;
        let range = offset as usize..offset as usize + bytes.len();
        clear_bits(self.bytes.get_mut(range).ok_or(NorFlashErrorKind::OutOfBounds)?, bytes);
        if let Some(steps) = &mut self.steps {
            steps.push(Step::Program { at: offset, bytes: bytes.to_vec() });
        }
        Ok(())
    }
}
