//! The blocking front: does the steps of the machine on the bus.

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::SpiDevice;

use crate::bus::Command;
use crate::driver::SerialNor;
use crate::error::Error;
use crate::machine::{COMPARED_BYTES, Step};
use crate::until::Until;

impl<SPI: SpiDevice, D: DelayNs, const ERASE: usize, const WRITE: usize>
    SerialNor<SPI, D, ERASE, WRITE>
{
    /// Waits until the chip is awake and idle, and sets its address mode if it was lost. Work that
    /// was begun is finished.
    pub(crate) fn be_ready(&mut self) -> Result<(), Error<SPI::Error>> {
        self.settle(false)
    }

    /// The same before a read.
    pub(crate) fn be_ready_to_read(&mut self) -> Result<(), Error<SPI::Error>> {
        self.settle(true)
    }

    fn settle(&mut self, before_use: bool) -> Result<(), Error<SPI::Error>> {
        // Mostly so, and then it takes less stack.
        if !self.machine.is_at_rest() {
            self.drive(&[], Until::Done)?;
        }
        if self.machine.begin_mode(before_use) {
            self.drive(&[], Until::Done)?;
        }
        Ok(())
    }

    /// Does the steps of the machine, and returns whether nothing is left to do.
    pub(crate) fn drive(&mut self, data: &[u8], until: Until) -> Result<bool, Error<SPI::Error>> {
        loop {
            let step = self.machine.step();
            let result = match step {
                Step::Done => return Ok(true),
                Step::Pause(_) if until == Until::Busy => return Ok(false),
                Step::Wait(us) | Step::Pause(us) => {
                    self.bus.delay.delay_us(us);
                    self.machine.waited(us);
                    Ok(())
                }
                Step::Send(opcode) => self.bus.send(Command::plain(opcode)).map_err(Error::Bus),
                Step::SendAt(command) => self.bus.send(command).map_err(Error::Bus),
                Step::SendData(command) => self.bus.send_data(command, data).map_err(Error::Bus),
                Step::Ask(opcode) => self.ask(Command::plain(opcode)),
                Step::AskAt(command) => self.ask(command),
                Step::Compare(command, len) => self.compare(command, len, data),
            };
            if let Err(error) = result {
                self.clean_up(&error);
                return Err(error);
            }
            let is_enough = match until {
                Until::Done => false,
                Until::Begun => self.machine.has_begun(),
                Until::Busy => matches!(step, Step::Compare(..)),
            };
            if is_enough {
                return Ok(false);
            }
        }
    }

    fn ask(&mut self, command: Command) -> Result<(), Error<SPI::Error>> {
        let value = self.bus.ask(command).map_err(Error::Bus)?;
        self.machine.answer(value)
    }

    // Outlined, so that the buffer is not part of the frame of every call.
    #[inline(never)]
    fn compare(
        &mut self,
        command: Command,
        len: usize,
        data: &[u8],
    ) -> Result<(), Error<SPI::Error>> {
        let mut read = [0; COMPARED_BYTES];
        let read = read.get_mut(..len).unwrap_or(&mut []);
        self.bus.receive(command, read).map_err(Error::Bus)?;
        self.machine.compare(read, data)
    }

    /// After an error: clears the latch if the chip is idle. If it is not, the next call does.
    fn clean_up(&mut self, error: &Error<SPI::Error>) {
        if matches!(error, Error::Bus(_)) {
            self.machine.bus_failed();
            return;
        }
        while let Step::Send(opcode) = self.machine.step() {
            if self.bus.send(Command::plain(opcode)).is_err() {
                self.machine.bus_failed();
                return;
            }
        }
    }
}
