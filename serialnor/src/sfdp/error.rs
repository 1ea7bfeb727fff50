//! Why the tables of a chip were not read.

use core::fmt;

/// Why tables were not read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum SfdpError<E> {
    /// The bus failed.
    Bus(E),
    /// The tables read differently each time: noise on the bus, or too high a clock.
    ReadingsDiffer,
    /// The chip did not answer with the signature: it has no tables, or none that can be read.
    NoSignature,
    /// A major revision newer than this driver.
    UnknownRevision(u8),
    /// No basic table of a known major revision, or one shorter than in the first revision.
    NoBasicTable,
    /// No chip can have this density.
    BadDensity(u32),
}

impl<E: fmt::Debug> fmt::Display for SfdpError<E> {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Bus(error) => write!(out, "the bus failed: {error:?}"),
            Self::ReadingsDiffer => {
                out.write_str("the tables of the chip read differently each time")
            }
            Self::NoSignature => out.write_str("the chip did not answer with an SFDP signature"),
            Self::UnknownRevision(major) => {
                write!(out, "the chip answered with SFDP of unknown major revision {major}")
            }
            Self::NoBasicTable => out.write_str("the chip did not give a complete basic table"),
            Self::BadDensity(word) => {
                write!(out, "the chip reported an impossible density: {word:#010x}")
            }
        }
    }
}

impl<E: fmt::Debug> core::error::Error for SfdpError<E> {}
