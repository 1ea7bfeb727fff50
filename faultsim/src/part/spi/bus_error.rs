//! The errors of the simulated bus.

use core::fmt;

use embedded_hal::spi::{Error, ErrorKind};

use crate::part::PartError;

/// Why the bus did not carry a transaction. A chip never refuses one: it stays silent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BusError {
    /// The power is off, or the microcontroller was reset: the code under test has ended.
    Ended,
    /// More bytes in one power-up than were granted; the code under test seems to loop forever.
    Fuel,
    /// The part refused the operation.
    Part(PartError),
    /// The transaction is longer than this host supports.
    TooLong,
}

impl fmt::Display for BusError {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Ended => out.write_str("the power is off"),
            Self::Fuel => out.write_str("too many bytes on the bus in one power-up"),
            Self::Part(error) => error.fmt(out),
            Self::TooLong => out.write_str("the transaction is longer than the host can do"),
        }
    }
}

impl core::error::Error for BusError {}

impl Error for BusError {
    fn kind(&self) -> ErrorKind {
        match self {
            Self::TooLong => ErrorKind::Overrun,
            _ => ErrorKind::Other,
        }
    }
}
