//! Taking protection away.

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::SpiDevice;

use crate::bus::Command;
use crate::driver::SerialNor;
use crate::error::{Error, Work};
use crate::machine::Job;
use crate::opcode;
use crate::protection::ProtectedBy;
use crate::until::Until;

/// Longest time of a status register write; data sheets say up to about 40 ms, from memory.
const STATUS_WRITE_US: u32 = 1_000_000;

impl<SPI: SpiDevice, D: DelayNs, const ERASE: usize, const WRITE: usize>
    SerialNor<SPI, D, ERASE, WRITE>
{
    /// Takes the protection of all blocks away until the chip loses power: clears the protection
    /// bits where the chip has volatile ones (50h and 01h), and unlocks all blocks if the data
    /// sheet names the command ([`crate::DataSheet::with_unlock_all`]). Does nothing that is not
    /// needed. Costs some ten bytes on the bus; volatile bits take no time that counts.
    ///
    /// # Errors
    /// [`Error::NotSupported`] if protection bits are set and neither the tables nor the data sheet
    /// say that they can be cleared so; [`Error::Protected`] if they are still set afterwards: the
    /// write protect pin is low, or the register is locked. Otherwise the errors of waiting.
    pub fn unprotect(&mut self) -> Result<(), Error<SPI::Error>> {
        self.be_ready()?;
        if let Some(unlock) = self.machine.chip.protection.unlock_all_opcode {
            self.machine.begin(Job::Own { longest_us: STATUS_WRITE_US });
            self.drive(&[unlock], Until::Done)?;
        }
        let status = self.steady_register(opcode::READ_STATUS)?;
        if status & self.machine.chip.protection_mask == 0 {
            return Ok(());
        }
        let enable = self.machine.chip.status_write().and_then(|write| write.volatile_enable);
        match enable.ok_or(Error::NotSupported)? {
            opcode::WRITE_ENABLE => self.unprotect_for_good(),
            enable => {
                let (bytes, len) = self.status_command(status)?;
                self.machine.expect(Work::Command, STATUS_WRITE_US);
                self.bus.send(Command::plain(enable)).map_err(Error::Bus)?;
                let bytes = bytes.get(..len).unwrap_or(&[]);
                self.bus.send_data(Command::NONE, bytes).map_err(Error::Bus)?;
                self.be_ready()?;
                self.check_unprotected()
            }
        }
    }

    /// Clears the protection bits where they keep their value without power (06h and 01h). Does
    /// nothing if none is set. Takes some milliseconds.
    ///
    /// Cautions: these bits last for a limited number of writes, often as few as 1,000 or 10,000,
    /// so call this in production, not at each start. If the power is cut meanwhile, any of the
    /// bits of the register may be left, also those that lock it or change the number of data
    /// lines. Blocks of a boot loader lose their protection too.
    ///
    /// # Errors
    /// [`Error::NotSupported`] if neither the tables nor the data sheet say how the register is
    /// written ([`crate::DataSheet::with_status_write`]); [`Error::Protected`] if the bits are
    /// still set afterwards: the write protect pin is low, or the register is locked. Otherwise the
    /// errors of waiting.
    pub fn unprotect_for_good(&mut self) -> Result<(), Error<SPI::Error>> {
        self.be_ready()?;
        let status = self.steady_register(opcode::READ_STATUS)?;
        if status & self.machine.chip.protection_mask == 0 {
            return Ok(());
        }
        let (bytes, len) = self.status_command(status)?;
        self.machine.begin(Job::Own { longest_us: STATUS_WRITE_US });
        self.drive(bytes.get(..len).unwrap_or(&[]), Until::Done)?;
        self.check_unprotected()
    }

    /// The command that writes the status without its protection bits, and its length. All other
    /// bits keep their value.
    fn status_command(&mut self, status: u8) -> Result<([u8; 3], usize), Error<SPI::Error>> {
        let write = self.machine.chip.status_write().ok_or(Error::NotSupported)?;
        let mask = self.machine.chip.protection_mask | opcode::BUSY | opcode::LATCH;
        let second = match write.with_second {
            true => self.steady_register(opcode::READ_SECOND_STATUS)?,
            false => 0,
        };
        let len = if write.with_second { 3 } else { 2 };
        Ok(([opcode::WRITE_STATUS, status & !mask, second], len))
    }

    fn check_unprotected(&mut self) -> Result<(), Error<SPI::Error>> {
        let status = self.steady_register(opcode::READ_STATUS)?;
        let chip = &self.machine.chip;
        match chip.protected_range(status) {
            None => Ok(()),
            Some((first, last)) => {
                let by = ProtectedBy::StatusBits(status & chip.protection_mask);
                Err(Error::Protected { status, by, first, last })
            }
        }
    }

    /// A register, read until two readings agree: what is written back must be right.
    fn steady_register(&mut self, opcode: u8) -> Result<u8, Error<SPI::Error>> {
        let mut before = None;
        for _ in 0..4 {
            let value = self.bus.ask(Command::plain(opcode)).map_err(Error::Bus)?;
            if before.replace(value) == Some(value) {
                return if value == 0xFF { Err(Error::BusStuck(value)) } else { Ok(value) };
            }
        }
        Err(Error::UnsteadyRegister { opcode })
    }
}
