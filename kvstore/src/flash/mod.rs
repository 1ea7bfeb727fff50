//! Reads, programs and erases: the only code that calls the flash driver.
//!
//! Addresses count from the start of the store's range. What is read may be damaged. What cannot be
//! read counts as damage too, unless the driver cannot read anywhere. A failed program or erase is
//! kept in [`Medium::fault`](medium::Medium::fault), and no further operation reaches the driver.

pub(crate) mod medium;
pub(crate) mod reader;
#[cfg(feature = "counters")]
mod tally;
pub(crate) mod writer;
