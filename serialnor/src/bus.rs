//! One command is one transaction. This module knows the form of commands, not their meaning.

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{Operation, SpiDevice};

/// A command with its address and dummy bytes.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Command {
    bytes: [u8; 6],
    len: usize,
}

impl Command {
    /// No bytes at all: the data follow on their own.
    pub(crate) const NONE: Self = Self { bytes: [0; 6], len: 0 };

    /// Without an address.
    pub(crate) const fn plain(opcode: u8) -> Self {
        Self { bytes: [opcode, 0, 0, 0, 0, 0], len: 1 }
    }

    /// As many bytes of FFh, at most six.
    pub(crate) const fn ones(len: usize) -> Self {
        Self { bytes: [0xFF; 6], len }
    }

    /// With an address of three bytes.
    pub(crate) const fn with_three(opcode: u8, at: u32) -> Self {
        let [_, a, b, c] = at.to_be_bytes();
        Self { bytes: [opcode, a, b, c, 0, 0], len: 4 }
    }

    /// With an address of four bytes.
    pub(crate) const fn with_four(opcode: u8, at: u32) -> Self {
        let [a, b, c, d] = at.to_be_bytes();
        Self { bytes: [opcode, a, b, c, d, 0], len: 5 }
    }

    /// With a dummy byte after the address.
    pub(crate) const fn with_dummy(self) -> Self {
        Self { len: self.len + 1, ..self }
    }

    /// Number of bytes sent.
    pub(crate) const fn len(&self) -> usize {
        self.len
    }

    fn as_slice(&self) -> &[u8] {
        self.bytes.get(..self.len).unwrap_or(&self.bytes)
    }
}

/// The chip on the bus, and a delay.
// The calls are outlined, so that their operations are not part of the frames of the callers.
#[derive(Debug)]
pub(crate) struct Bus<SPI, D> {
    pub(crate) spi: SPI,
    pub(crate) delay: D,
}

impl<SPI: SpiDevice, D: DelayNs> Bus<SPI, D> {
    #[inline(never)]
    pub(crate) fn send(&mut self, command: Command) -> Result<(), SPI::Error> {
        self.spi.transaction(&mut [Operation::Write(command.as_slice())])
    }

    #[inline(never)]
    pub(crate) fn send_data(&mut self, command: Command, data: &[u8]) -> Result<(), SPI::Error> {
        if command.len == 0 {
            return self.spi.transaction(&mut [Operation::Write(data)]);
        }
        self.spi.transaction(&mut [Operation::Write(command.as_slice()), Operation::Write(data)])
    }

    #[inline(never)]
    pub(crate) fn receive(&mut self, command: Command, out: &mut [u8]) -> Result<(), SPI::Error> {
        self.spi.transaction(&mut [Operation::Write(command.as_slice()), Operation::Read(out)])
    }

    pub(crate) fn ask(&mut self, command: Command) -> Result<u8, SPI::Error> {
        let mut value = [0xFF];
        self.receive(command, &mut value)?;
        let [value] = value;
        Ok(value)
    }
}
