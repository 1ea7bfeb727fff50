//! Errors of the driver.

use core::fmt;

use embedded_storage::nor_flash::{NorFlashError, NorFlashErrorKind};

use crate::id::JedecId;
use crate::protection::ProtectedBy;
use crate::sfdp::SfdpError;

/// What the chip was doing when something went wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Work {
    /// Whatever was in progress when the driver started.
    Start,
    /// A program.
    Program,
    /// An erase.
    Erase,
    /// A reset.
    Reset,
    /// A write of a register, or a command of the caller.
    Command,
}

impl fmt::Display for Work {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(match self {
            Self::Start => "what was in progress at the start",
            Self::Program => "a program",
            Self::Erase => "an erase",
            Self::Reset => "a reset",
            Self::Command => "a command",
        })
    }
}

/// Why a call failed. `E` is the error of the bus, passed on unchanged.
///
/// Unless a variant says otherwise, the bytes that a failed or interrupted program or erase worked
/// on have unknown contents; all other bytes are as they were.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Error<E> {
    /// The bus failed; see its error. A program or erase may have started and still be running: the
    /// next call waits for it.
    Bus(E),
    /// All bytes read are 00h or all are FFh: no chip, a broken or wrongly connected line, no
    /// power, or a chip in a mode with more data lines. Check the wiring.
    BusStuck(u8),
    /// The chip has no tables, or none that can be read, and no complete [`crate::DataSheet`] was
    /// given. Give one.
    NoTables(SfdpError<E>),
    /// The chip has no tables and its manufacturer ID is not a valid one, or its ID reads
    /// differently each time: noise on the bus, too high a clock, or the wrong SPI mode (0 and 3
    /// are right).
    BadId(JedecId),
    /// The tables do not say which erase command works where: none is listed, one command is listed
    /// for several sizes, or a sector map restricts them. Give the erase types of the data sheet;
    /// if you have, also give the commands with four address bytes ([`crate::FourByte::Opcodes`]).
    UnclearEraseTypes,
    /// No erase command of the chip fits the erase size of the driver's type. Use a type with an
    /// erase size that is a multiple of `smallest`.
    EraseSize {
        /// Bytes of the chip's smallest erase.
        smallest: u32,
    },
    /// The chip, or the part of it that the data sheet limits the driver to, is smaller than the
    /// erase size of the driver's type.
    TooSmall,
    /// One program command of the chip reaches less than the program unit of the driver's type. Use
    /// a type with a smaller unit, or give the page size of the data sheet.
    PageSize {
        /// Bytes that one program command can reach.
        page_bytes: u32,
    },
    /// The chip is larger than 16 MiB and its tables do not say how to address all of it. Give the
    /// method of the data sheet ([`crate::FourByte`]), or limit the capacity to 16 MiB and mind the
    /// caution of [`crate::DataSheet::with_capacity`].
    FourByteAddresses,
    /// The chip is still busy after its longest time, or keeps reporting that it is. Some chips do
    /// that after a failure, until they get a command that clears it, which the driver does not
    /// know; their status then shows the failure in bits 5 and 6.
    StillBusy {
        /// What it did not finish.
        work: Work,
        /// Its status register, or the flag status if only that says busy.
        status: u8,
    },
    /// The chip ignored the write enable command several times in a row. Nothing was programmed or
    /// erased.
    WriteEnableIgnored {
        /// Its status register.
        status: u8,
    },
    /// The blocks are protected: the chip would ignore the command. Nothing was programmed or
    /// erased. See [`crate::SerialNor::unprotect`].
    Protected {
        /// Its status register.
        status: u8,
        /// What protects them.
        by: ProtectedBy,
        /// First byte of what is protected; where nothing says which blocks are, that of the chip.
        first: u32,
        /// Its last byte.
        last: u32,
    },
    /// The chip ignored the command: its write enable latch is still set, or an erase, sent twice,
    /// never made the chip busy. Nothing was programmed or erased. Either the command got lost or
    /// the chip lost its supply for a moment, then repeat the call; or a block is protected in a
    /// way that the status does not show; or the chip does not have this command.
    CommandIgnored(Work),
    /// The chip is not in the address mode that the driver set, according to the register that
    /// shows it. Nothing was programmed or erased: it would have gone to another address. Repeat
    /// the call; if it fails again, the data sheet or the tables are wrong about the mode.
    AddressMode {
        /// The flag status or the bank register.
        value: u8,
    },
    /// The chip reports in its flag status register that the operation failed: worn out or
    /// protected.
    Failed {
        /// What failed.
        work: Work,
        /// Its flag status register.
        flag_status: u8,
    },
    /// A register reads differently each time: noise on the bus, or too high a clock. Nothing was
    /// written.
    UnsteadyRegister {
        /// The command that reads it.
        opcode: u8,
    },
    /// A byte does not read as it was programmed or erased ([`crate::Options::with_verify`]): the
    /// chip ignored the command, data were garbled on the bus, the place was not blank, or the
    /// flash is worn out there. Erase again, or use another place. If the program was begun with
    /// [`crate::SerialNor::begin_program`], or [`crate::Options::with_second_programs`] is set, the
    /// address is that of the first byte programmed by the command.
    Verify {
        /// Its address.
        at: u32,
    },
    /// The range is not within the chip. Nothing was done.
    OutOfBounds,
    /// Start or length is not a multiple of the unit of the call. Nothing was done.
    NotAligned,
    /// The tables do not list the command. Nothing was done.
    NotSupported,
    /// The pin for the reset failed.
    Pin,
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
                write!(out, "the chip answered with an invalid manufacturer ID ({id}); check the bus")
            }
            Self::UnclearEraseTypes => out.write_str(
                "the tables do not say which erase commands work where; give those of the data sheet",
            ),
            Self::EraseSize { smallest } => {
                write!(
                    out,
                    "the chip erases at least {smallest} bytes; use a driver type for that erase size"
                )
            }
            Self::TooSmall => out.write_str("the chip is smaller than one erase"),
            Self::PageSize { page_bytes } => {
                write!(out, "the chip programs at most {page_bytes} bytes at a time")
            }
            Self::FourByteAddresses => out.write_str(
                "the tables do not say how to address more than 16 MiB; give the data sheet's method",
            ),
            Self::StillBusy { work, status } => write!(
                out,
                "the chip did not finish {work} within its longest time, status {status:#04x}"
            ),
            Self::WriteEnableIgnored { status } => {
                write!(out, "the chip ignored write enable, status {status:#04x}")
            }
            Self::Protected { status, by, first, last } => {
                let what = match by {
                    ProtectedBy::StatusBits(_) => "protection bits",
                    ProtectedBy::BlockLock(_) => "a lock",
                };
                write!(out, "{what} of the chip protect {first:#x}..={last:#x}, status {status:#04x}")
            }
            Self::CommandIgnored(work) => write!(out, "the chip ignored the command for {work}"),
            Self::AddressMode { value } => write!(
                out,
                "the chip is not in the address mode that was set, its register reads {value:#04x}"
            ),
            Self::Failed { work, flag_status } => {
                write!(out, "the chip did not complete {work}, flag status {flag_status:#04x}")
            }
            Self::UnsteadyRegister { opcode } => {
                write!(out, "the register read by {opcode:#04x} reads differently each time")
            }
            Self::Verify { at } => {
                write!(out, "the byte at {at:#x} does not read as it was written")
            }
            Self::OutOfBounds => out.write_str("the range is not within the chip"),
            Self::NotAligned => out.write_str("the range is not aligned"),
            Self::Pin => out.write_str("the pin for the reset failed"),
            Self::NotSupported => out.write_str("the tables of the chip do not list this command"),
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
