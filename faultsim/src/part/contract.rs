//! The contract of the flash: the calls a store must not make, and the errors it gets for them.

use core::fmt;

use embedded_storage::nor_flash::{NorFlashError, NorFlashErrorKind};
use serde::{Deserialize, Serialize};

/// A call that violates the contract of the part. It is refused as a whole and has no effect.
/// Addresses are in bytes from the start of the part; `to` is exclusive.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[non_exhaustive]
pub enum ContractViolation {
    /// The range does not lie within the part, or is reversed.
    OutOfRange {
        /// First byte.
        from: u32,
        /// Byte after the last one.
        to: u64,
    },
    /// Start or end is not a multiple of the alignment that the operation requires.
    Misaligned {
        /// First byte.
        from: u32,
        /// Byte after the last one.
        to: u64,
        /// The alignment in bytes.
        granule: u32,
    },
    /// A program wants to set a bit to 1 that is 0. Only an erase can do that.
    ZeroToOne {
        /// The byte that contains the 0.
        at: u32,
    },
    /// A unit is programmed a second time since its erase, and
    /// [`SecondPrograms`](super::SecondPrograms) does not allow that.
    SecondProgram {
        /// First byte of the unit.
        at: u32,
    },
    /// A unit is programmed in a sector whose last erase was interrupted.
    InterruptedErase {
        /// First byte of the unit.
        at: u32,
    },
    /// A software reset was sent to a busy part, which tears the operation under way.
    ResetWhileBusy,
}

impl fmt::Display for ContractViolation {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::OutOfRange { from, to } => {
                write!(out, "range {from:#x}..{to:#x} is not within the part")
            }
            Self::Misaligned { from, to, granule } => {
                write!(out, "range {from:#x}..{to:#x} is not aligned to {granule} bytes")
            }
            Self::ZeroToOne { at } => {
                write!(out, "program wants to turn a 0 into a 1 at {at:#x}")
            }
            Self::SecondProgram { at } => {
                write!(out, "second program of the unit at {at:#x} since its erase")
            }
            Self::InterruptedErase { at } => {
                write!(out, "program at {at:#x} in a sector whose last erase was interrupted")
            }
            Self::ResetWhileBusy => out.write_str("software reset sent while the part was busy"),
        }
    }
}

/// Why the part did not do what it was asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum PartError {
    /// The power is off: it was cut during this call or an earlier one.
    PowerOff,
    /// More calls in one power-up than were granted; the code under test seems to loop forever.
    Fuel,
    /// The operation failed, since the sector is bad.
    Failed,
    /// The call violates the contract of the part.
    Contract(ContractViolation),
}

impl fmt::Display for PartError {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::PowerOff => out.write_str("the power is off"),
            Self::Fuel => out.write_str("too many flash calls in one power-up"),
            Self::Failed => out.write_str("the operation failed in a bad sector"),
            Self::Contract(violation) => violation.fmt(out),
        }
    }
}

impl core::error::Error for PartError {}

impl NorFlashError for PartError {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::Contract(ContractViolation::OutOfRange { .. }) => NorFlashErrorKind::OutOfBounds,
            Self::Contract(ContractViolation::Misaligned { .. }) => NorFlashErrorKind::NotAligned,
            _ => NorFlashErrorKind::Other,
        }
    }
}
