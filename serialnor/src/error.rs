//! What the chip did not do.

use core::fmt;

use embedded_storage::nor_flash::{NorFlashError, NorFlashErrorKind};

use crate::id::JedecId;
use crate::sfdp::SfdpError;

/// What the driver was waiting for or doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Work {
    /// Whatever was under way when the driver was started.
    Start,
    /// A program.
    Program,
    /// An erase.
    Erase,
    /// A software reset.
    Reset,
}

impl fmt::Display for Work {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(match self {
            Self::Start => "what was under way at the start",
            Self::Program => "a program",
            Self::Erase => "an erase",
            Self::Reset => "a reset",
        })
    }
}

/// Why a call did not do its work. `E` is the error of the bus, kept intact.
///
/// Unless a variant says otherwise, what an interrupted or failed program or erase left in the
/// bytes it worked on is unknown; the other bytes are as they were.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Error<E> {
    /// The bus failed; see its own error. A program or erase begun may still run: the next call
    /// waits for it.
    Bus(E),
    /// All bytes read are 00h or FFh: no chip, a broken or wrongly connected line, no power, or a
    /// chip in a mode with more data lines. Check the wiring.
    BusStuck(u8),
    /// The chip gave no tables, or none that can be read, and no complete data sheet was given.
    /// Give one.
    NoTables(SfdpError<E>),
    /// The chip gave no tables, and an identification that no manufacturer has: noise on the bus,
    /// too high a clock, or the wrong SPI mode (0 and 3 are right).
    BadId(JedecId),
    /// The tables do not say which erase commands work where: none is listed, one command stands
    /// for several sizes, or a sector map restricts them. Give the erase types of the data sheet; if
    /// they were given, give the commands with four address bytes too ([`crate::FourByte::Opcodes`]).
    UnclearEraseTypes,
    /// No erase command of the chip fits the erase size of the driver's type. Use a type with one
    /// that the given number of bytes divides.
    EraseSize {
        /// Smallest size the chip erases.
        smallest: u32,
    },
    /// The chip, or the part of it that the data sheet names, is smaller than one erase size of the
    /// driver's type.
    TooSmall,
    /// One program command of the chip reaches less than the program unit of the driver's type. Use a type
    /// with a smaller one, or give the page of the data sheet.
    PageSize {
        /// Bytes that one program command can reach.
        page_bytes: u32,
    },
    /// The chip is larger than 16 MiB and its tables give no way to address all of it. Give the
    /// data sheet's way, or limit the capacity to 16 MiB, with the caution of
    /// [`crate::DataSheet::with_capacity`].
    FourByteAddresses,
    /// The chip is still busy behind its longest time, or keeps answering so. On some chips a failure does
    /// that, until a command clears it that the driver does not know; the status then shows the failure in
    /// bits 5 and 6.
    StillBusy {
        /// What it does not end.
        work: Work,
        /// Its status register, or the flag status where that alone says busy.
        status: u8,
    },
    /// The chip did not take the write enable command, not at the last of several times either.
    /// Nothing was programmed or erased.
    WriteEnableIgnored {
        /// Its status register.
        status: u8,
    },
    /// Protection bits are set: the chip would ignore the command. Nothing was programmed or
    /// erased. Clear them, by the data sheet, outside of normal operation.
    Protected {
        /// Its status register.
        status: u8,
    },
    /// The chip ignored the command: its write enable latch is still set. A block is protected in a
    /// way the status does not tell, or the command is not one of this chip.
    CommandIgnored(Work),
    /// The chip says that the operation failed, by its flag status register: worn out, or protected.
    Failed {
        /// What failed.
        work: Work,
        /// Its flag status register.
        flag_status: u8,
    },
    /// A byte does not read as it was programmed or erased.
    Verify {
        /// Its address.
        at: u32,
    },
    /// The range is not within the chip. Nothing was done.
    OutOfBounds,
    /// Start or length is no multiple of what the call works in. Nothing was done.
    NotAligned,
    /// The chip has no such command by its tables. Nothing was done.
    NotSupported,
}

impl<E: fmt::Debug> fmt::Display for Error<E> {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Bus(error) => write!(out, "the bus failed: {error:?}"),
            Self::BusStuck(level) => write!(
                out,
                "the bus reads {level:#04x} throughout: no chip, no power, or a wrong connection"
            ),
            Self::NoTables(why) => write!(out, "{why}; give the data sheet"),
            Self::BadId(id) => {
                write!(out, "the chip did not give a manufacturer's number ({id}); check the bus")
            }
            Self::UnclearEraseTypes => out.write_str(
                "the chip did not say which erase commands work everywhere; give the data sheet's",
            ),
            Self::EraseSize { smallest } => {
                write!(out, "the chip erases no less than {smallest} bytes; use a driver for that")
            }
            Self::TooSmall => out.write_str("the chip is smaller than what is erased at once"),
            Self::PageSize { page_bytes } => {
                write!(out, "the chip programs no more than {page_bytes} bytes at once")
            }
            Self::FourByteAddresses => out.write_str(
                "the chip did not say how to address more than 16 MiB; give the data sheet's way",
            ),
            Self::StillBusy { work, status } => write!(
                out,
                "the chip did not finish {work} within its longest time, status {status:#04x}"
            ),
            Self::WriteEnableIgnored { status } => {
                write!(out, "the chip did not take write enable, status {status:#04x}")
            }
            Self::Protected { status } => {
                write!(out, "the chip is protected against writing, status {status:#04x}")
            }
            Self::CommandIgnored(work) => {
                write!(out, "the chip did not begin {work}: its write enable latch is still set")
            }
            Self::Failed { work, flag_status } => {
                write!(out, "the chip did not complete {work}, flag status {flag_status:#04x}")
            }
            Self::Verify { at } => {
                write!(out, "the byte at {at:#x} does not read as it was written")
            }
            Self::OutOfBounds => out.write_str("the range is not within the chip"),
            Self::NotAligned => out.write_str("the range is not aligned"),
            Self::NotSupported => out.write_str("the chip did not list such a command"),
        }
    }
}

impl<E: fmt::Debug> core::error::Error for Error<E> {}

impl<E: fmt::Debug> NorFlashError for Error<E> {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::OutOfBounds => NorFlashErrorKind::OutOfBounds,
            Self::NotAligned => NorFlashErrorKind::NotAligned,
            _ => NorFlashErrorKind::Other,
        }
    }
}
