//! Commands of the caller's own.

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{Operation, SpiDevice};

use crate::driver::SerialNor;
use crate::error::{Error, Work};
use crate::machine::Job;
use crate::until::Until;

/// A command that the driver does not have, such as reading a unique ID or a security area.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OwnCommand<'bytes> {
    bytes: &'bytes [u8],
    write_enable: bool,
    longest_us: u32,
}

impl<'bytes> OwnCommand<'bytes> {
    /// The bytes to send: the command with its address, dummy bytes and data.
    pub const fn new(bytes: &'bytes [u8]) -> Self {
        Self { bytes, write_enable: false, longest_us: 1_000_000 }
    }

    /// Whether the chip must get write enable before it. The driver checks that it took effect.
    #[must_use]
    pub const fn with_write_enable(self, on: bool) -> Self {
        Self { write_enable: on, ..self }
    }

    /// How long the chip may be busy afterwards, in microseconds. Default: 1 s.
    #[must_use]
    pub const fn with_longest_us(self, microseconds: u32) -> Self {
        Self { longest_us: microseconds, ..self }
    }
}

impl<SPI: SpiDevice, D: DelayNs, const ERASE: usize, const WRITE: usize>
    SerialNor<SPI, D, ERASE, WRITE>
{
    /// Sends a command of the caller's own in one transaction, after whatever is in progress, and
    /// waits until the chip is idle again. Then it clears the latch and sets the address mode
    /// again. `answer` is filled with what the chip sends after the command; it must be empty for a
    /// command that needs write enable. The transfer limit is the caller's to keep.
    ///
    /// ```
    /// # use embedded_hal::{delay::DelayNs, spi::SpiDevice};
    /// # use outlast_serialnor::{Error, OwnCommand, SerialNor};
    /// # fn run<SPI: SpiDevice, D: DelayNs>(
    /// #     flash: &mut SerialNor<SPI, D>
    /// # ) -> Result<(), Error<SPI::Error>> {
    /// // 4Bh and four dummy bytes: the unique ID of many chips.
    /// let mut unique = [0; 8];
    /// flash.run_own(OwnCommand::new(&[0x4B, 0, 0, 0, 0]), &mut unique)?;
    /// # Ok(()) }
    /// ```
    ///
    /// Caution: the driver knows nothing about the command. One that programs, erases, protects or
    /// changes a mode for good does that, whatever range the firmware keeps to; a mode with more
    /// data lines ends the driver's work until the chip is reset by its pin.
    ///
    /// # Errors
    /// [`Error::NotSupported`] if there is nothing to send, or something to read after a command
    /// with write enable; [`Error::WriteEnableIgnored`]; otherwise the errors of waiting.
    pub fn run_own(
        &mut self,
        command: OwnCommand<'_>,
        answer: &mut [u8],
    ) -> Result<(), Error<SPI::Error>> {
        let OwnCommand { bytes, write_enable, longest_us } = command;
        if bytes.is_empty() || write_enable && !answer.is_empty() {
            return Err(Error::NotSupported);
        }
        let is_silent = answer.is_empty();
        self.be_ready()?;
        if write_enable {
            self.machine.begin(Job::Own { longest_us });
            self.drive(bytes, Until::Done)?;
            self.machine.distrust_mode();
        } else {
            self.machine.expect(Work::Command, longest_us);
            let (send, receive) = (Operation::Write(bytes), Operation::Read(answer));
            let mut both = [send, receive];
            // Not all buses take an empty read.
            let operations = if is_silent { both.get_mut(..1) } else { both.get_mut(..) };
            self.bus.spi.transaction(operations.unwrap_or(&mut [])).map_err(Error::Bus)?;
        }
        self.be_ready()
    }
}
