//! The part as storage code sees it: handles that implement the `embedded-storage` traits.

use core::cell::{Ref, RefCell, RefMut};
use std::rc::Rc;

use embedded_storage::nor_flash::{ErrorType, MultiwriteNorFlash, NorFlash, ReadNorFlash};

use super::chip::Chip;
use super::contract::PartError;

/// A shared handle: the rig keeps the chip while a store owns a [`Nor`] on it.
#[derive(Clone, Debug)]
pub struct Part(Rc<RefCell<Chip>>);

impl Part {
    /// Takes ownership of the chip.
    pub fn new(chip: Chip) -> Self {
        Self(Rc::new(RefCell::new(chip)))
    }

    /// Borrows the chip to look at it.
    ///
    /// # Panics
    /// If the chip is borrowed by [`Part::chip_mut`].
    pub fn chip(&self) -> Ref<'_, Chip> {
        self.0.borrow()
    }

    /// Borrows the chip to work on it. Release the borrow before the store is called again.
    ///
    /// # Panics
    /// If the chip is already borrowed.
    pub fn chip_mut(&self) -> RefMut<'_, Chip> {
        self.0.borrow_mut()
    }

    /// The chip as a flash that reads in multiples of `READ` bytes and programs in multiples of
    /// `UNIT` bytes.
    pub fn nor<const READ: usize, const UNIT: usize>(&self) -> Nor<READ, UNIT> {
        Nor(self.clone())
    }

    /// The same for a flash whose units may be programmed any number of times, bit by bit.
    pub fn multi_nor<const READ: usize, const UNIT: usize>(&self) -> MultiNor<READ, UNIT> {
        MultiNor(self.nor())
    }
}

/// The part through the `embedded-storage` traits, with any number of programs per unit.
#[derive(Clone, Debug)]
pub struct MultiNor<const READ: usize, const UNIT: usize>(Nor<READ, UNIT>);

impl<const READ: usize, const UNIT: usize> ErrorType for MultiNor<READ, UNIT> {
    type Error = PartError;
}

impl<const READ: usize, const UNIT: usize> ReadNorFlash for MultiNor<READ, UNIT> {
    const READ_SIZE: usize = READ;

    #[inline]
    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), PartError> {
        self.0.read(offset, bytes)
    }

    fn capacity(&self) -> usize {
        self.0.capacity()
    }
}

impl<const READ: usize, const UNIT: usize> NorFlash for MultiNor<READ, UNIT> {
    const WRITE_SIZE: usize = UNIT;
    const ERASE_SIZE: usize = Nor::<READ, UNIT>::ERASE_SIZE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), PartError> {
        self.0.erase(from, to)
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), PartError> {
        let mut chip = self.0.0.chip_mut();
        check_alignment(&mut chip, offset, bytes.len(), UNIT)?;
        chip.program_bits(offset, bytes)
    }
}

impl<const READ: usize, const UNIT: usize> MultiwriteNorFlash for MultiNor<READ, UNIT> {}

/// The part through the `embedded-storage` traits.
///
/// The erase size of the type is 512 bytes whatever the geometry is; an erase must nevertheless
/// cover whole sectors of the geometry.
#[derive(Clone, Debug)]
pub struct Nor<const READ: usize, const UNIT: usize>(Part);

impl<const READ: usize, const UNIT: usize> Nor<READ, UNIT> {
    /// The handle this flash was made from.
    pub fn part(&self) -> &Part {
        &self.0
    }
}

/// Refuses a range whose start or end is not a multiple of `granule`.
fn check_alignment(chip: &mut Chip, at: u32, len: usize, granule: usize) -> Result<(), PartError> {
    let granule = granule.max(1);
    if (at as usize).is_multiple_of(granule) && len.is_multiple_of(granule) {
        return Ok(());
    }
    let to = u64::from(at).saturating_add(len as u64);
    Err(chip.misaligned_call(at, to, u32::try_from(granule).unwrap_or(u32::MAX)))
}

impl<const READ: usize, const UNIT: usize> ErrorType for Nor<READ, UNIT> {
    type Error = PartError;
}

impl<const READ: usize, const UNIT: usize> ReadNorFlash for Nor<READ, UNIT> {
    const READ_SIZE: usize = READ;

    #[inline]
    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), PartError> {
        let mut chip = self.0.chip_mut();
        if READ > 1 {
            check_alignment(&mut chip, offset, bytes.len(), READ)?;
        }
        chip.read(offset, bytes)
    }

    fn capacity(&self) -> usize {
        self.0.chip().geometry().bytes() as usize
    }
}

impl<const READ: usize, const UNIT: usize> NorFlash for Nor<READ, UNIT> {
    const WRITE_SIZE: usize = UNIT;
    const ERASE_SIZE: usize = 512;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), PartError> {
        self.0.chip_mut().erase(from, to)
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), PartError> {
        let mut chip = self.0.chip_mut();
        check_alignment(&mut chip, offset, bytes.len(), UNIT)?;
        chip.program(offset, bytes)
    }
}
