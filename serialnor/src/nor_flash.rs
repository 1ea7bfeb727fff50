//! The flash traits of `embedded-storage`.

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::SpiDevice;
use embedded_storage::nor_flash::{ErrorType, MultiwriteNorFlash, NorFlash, ReadNorFlash};

use crate::driver::SerialNor;
use crate::error::Error;

impl<SPI: SpiDevice, D: DelayNs, const ERASE: usize, const WRITE: usize> ErrorType
    for SerialNor<SPI, D, ERASE, WRITE>
{
    type Error = Error<SPI::Error>;
}

impl<SPI: SpiDevice, D: DelayNs, const ERASE: usize, const WRITE: usize> ReadNorFlash
    for SerialNor<SPI, D, ERASE, WRITE>
{
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
        self.read_bytes(offset, bytes)
    }

    fn capacity(&self) -> usize {
        usize::try_from(self.chip().capacity).unwrap_or(usize::MAX)
    }
}

/// Both calls return when the chip has finished, and what it did is verified if the driver
/// verifies.
impl<SPI: SpiDevice, D: DelayNs, const ERASE: usize, const WRITE: usize> NorFlash
    for SerialNor<SPI, D, ERASE, WRITE>
{
    const WRITE_SIZE: usize = WRITE;
    const ERASE_SIZE: usize = ERASE;

    /// Uses the largest erase commands that fit the range. After a power cut the commands before it
    /// are complete, the one it hit may have stopped anywhere, and later ones have not started.
    fn erase(&mut self, from: u32, to: u32) -> Result<(), Self::Error> {
        self.erase_range(from, to)
    }

    /// Sends one command per page, or per transfer that the bus allows, in ascending order. After a
    /// power cut the commands before it are complete, the one it hit may have stopped anywhere, and
    /// later ones have not started.
    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
        self.program_bytes(offset, bytes)
    }
}

/// Code that relies on it needs [`crate::Options::with_second_programs`], or no verification:
/// otherwise a program that names ones where there are zeros is reported as
/// [`crate::Error::Verify`].
///
/// Holds for chips without on-die error correction, for which the program unit is 1: any byte may
/// be programmed again to clear more bits (IS25LP/WP128F data sheet rev. A8, section 8.10). For a
/// chip with on-die error correction choose a larger `WRITE`: the driver cannot recognise such a
/// chip from its tables.
impl<SPI: SpiDevice, D: DelayNs, const ERASE: usize> MultiwriteNorFlash
    for SerialNor<SPI, D, ERASE, 1>
{
}
