//! Driver mistakes, planted between a driver and its chip: the bus carries what a driver with that
//! mistake would send, and the driver hears what makes it continue.
//!
//! They show that the rig sees such mistakes. The driver itself is not changed.

use embedded_hal::spi::{ErrorType, Operation, SpiDevice};

/// A driver mistake.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Mistake {
    /// Continues without waiting for the end of a program, and does not notice that write enable is
    /// then ignored.
    NoWaitAfterProgram,
    /// Continues without waiting for the end of an erase, and does not notice that write enable is
    /// then ignored.
    NoWaitAfterErase,
    /// Assumes that write enable took effect, and that the erase after it began.
    WriteEnableUnchecked,
    /// Programs past the end of a page in one command. Planted by means of the driver's data sheet.
    PageWrap,
    /// Does not check at the start whether the chip is still busy.
    NoWaitAtStart,
    /// Resets the chip at the start without checking whether it is busy.
    ResetWhileBusy,
    /// Sends three address bytes to a chip that needs four.
    ThreeAddressBytes,
}

impl Mistake {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::NoWaitAfterProgram,
        Self::NoWaitAfterErase,
        Self::WriteEnableUnchecked,
        Self::PageWrap,
        Self::NoWaitAtStart,
        Self::ResetWhileBusy,
        Self::ThreeAddressBytes,
    ];
}

/// An SPI device with a driver mistake in front of it, or with none.
#[derive(Debug)]
pub struct Planted<SPI> {
    spi: SPI,
    mistake: Option<Mistake>,
    is_started: bool,
    /// The driver does not know that the chip may be busy.
    is_blind: bool,
    /// The last command was write enable.
    is_enabling: bool,
    /// The last command was an erase.
    is_erasing: bool,
}

impl<SPI> Planted<SPI> {
    /// Plants a mistake.
    pub const fn new(spi: SPI, mistake: Option<Mistake>) -> Self {
        let is_blind = matches!(mistake, Some(Mistake::NoWaitAtStart));
        Self { spi, mistake, is_started: false, is_blind, is_enabling: false, is_erasing: false }
    }
}

const WRITE_ENABLE: u8 = 0x06;
const READ_STATUS: u8 = 0x05;
const BUSY: u8 = 1;
const LATCH: u8 = 2;

fn is_program(opcode: u8) -> bool {
    matches!(opcode, 0x02 | 0x12)
}

fn is_erase(opcode: u8) -> bool {
    matches!(opcode, 0x20 | 0x21 | 0x52 | 0x5C | 0xD8 | 0xDC)
}

/// The command with three address bytes that corresponds to one with four.
fn shorter(opcode: u8) -> Option<u8> {
    Some(match opcode {
        0x13 => 0x03,
        0x12 => 0x02,
        0x21 => 0x20,
        0x5C => 0x52,
        0xDC => 0xD8,
        _ => return None,
    })
}

impl<SPI> Planted<SPI> {
    /// Changes the status into what a driver with the mistake believes it to be.
    fn hear(&mut self, status: &mut [u8]) {
        let is_busy = status.iter().any(|byte| byte & BUSY != 0);
        self.is_blind &= is_busy;
        let unchecked = self.mistake == Some(Mistake::WriteEnableUnchecked) && self.is_enabling;
        if self.is_blind || unchecked {
            status.fill(if self.is_enabling { LATCH } else { 0 });
        }
        if std::mem::take(&mut self.is_erasing)
            && self.mistake == Some(Mistake::WriteEnableUnchecked)
        {
            status.fill(BUSY);
        }
    }
}

impl<SPI: ErrorType> ErrorType for Planted<SPI> {
    type Error = SPI::Error;
}

impl<SPI: SpiDevice> SpiDevice for Planted<SPI> {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), SPI::Error> {
        if self.mistake == Some(Mistake::ResetWhileBusy) && !self.is_started {
            self.is_started = true;
            self.spi.write(&[0x66])?;
            self.spi.write(&[0x99])?;
        }
        let Some(Operation::Write(head)) = operations.first() else {
            return self.spi.transaction(operations);
        };
        let Some(&opcode) = head.first() else { return self.spi.transaction(operations) };
        if opcode == READ_STATUS {
            self.spi.transaction(operations)?;
            if let Some(Operation::Read(out)) = operations.get_mut(1) {
                self.hear(out);
            }
            return Ok(());
        }
        self.is_enabling = opcode == WRITE_ENABLE;
        self.is_erasing = is_erase(opcode);
        self.is_blind |= match self.mistake {
            Some(Mistake::NoWaitAfterProgram) => is_program(opcode),
            Some(Mistake::NoWaitAfterErase) => is_erase(opcode),
            _ => false,
        };
        if self.mistake == Some(Mistake::ThreeAddressBytes)
            && let (Some(shorter), [_, _, low @ ..]) = (shorter(opcode), &**head)
        {
            let head = [&[shorter], low].concat();
            let rest = operations.get_mut(1..).unwrap_or_default();
            return match rest {
                [Operation::Read(out)] => {
                    self.spi.transaction(&mut [Operation::Write(&head), Operation::Read(out)])
                }
                [Operation::Write(data)] => {
                    self.spi.transaction(&mut [Operation::Write(&head), Operation::Write(data)])
                }
                _ => self.spi.write(&head),
            };
        }
        self.spi.transaction(operations)
    }
}
