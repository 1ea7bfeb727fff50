//! The flash as a driver offers it. A call that breaks the rules of the trait panics.

use outlast_kvstore::embedded_storage::nor_flash::{ErrorType, NorFlash, ReadNorFlash};

use crate::flash::{Ram, Refusal};

/// The flash as a driver with a read unit and a program unit.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Nor<'r, const READ: usize, const UNIT: usize>(pub(crate) &'r Ram);

impl<const READ: usize, const UNIT: usize> ErrorType for Nor<'_, READ, UNIT> {
    type Error = Refusal;
}

impl<const READ: usize, const UNIT: usize> ReadNorFlash for Nor<'_, READ, UNIT> {
    const READ_SIZE: usize = READ;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Refusal> {
        let at = offset as usize;
        assert!(
            at.is_multiple_of(READ) && bytes.len().is_multiple_of(READ),
            "a read of part of a unit at {at}"
        );
        self.0.read(at, bytes)
    }

    fn capacity(&self) -> usize {
        self.0.shape.capacity()
    }
}

impl<const READ: usize, const UNIT: usize> NorFlash for Nor<'_, READ, UNIT> {
    const WRITE_SIZE: usize = UNIT;
    const ERASE_SIZE: usize = 512;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Refusal> {
        let (from, to) = (from as usize, to as usize);
        assert!(from % 512 == 0 && to % 512 == 0, "an erase of part of a sector: {from} to {to}");
        self.0.erase(from..to)
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Refusal> {
        let at = offset as usize;
        assert!(
            at.is_multiple_of(UNIT) && bytes.len().is_multiple_of(UNIT),
            "a program of part of a unit at {at}"
        );
        self.0.program(at, bytes)
    }
}
