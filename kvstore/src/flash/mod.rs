//! Access to the flash: the only code that calls the driver.
//!
//! Addresses count from the start of the store's range. Everything it reads may be damaged; what it
//! cannot read is damage too, unless the part reads nowhere.

pub(crate) mod medium;
pub(crate) mod reader;
#[cfg(feature = "counters")]
mod tally;
pub(crate) mod writer;
