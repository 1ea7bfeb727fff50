//! The bytes in flash: how a sector opens, what a record looks like, where one may stand.
//!
//! Nothing here touches flash, and no function panics, whatever bytes it is given. A record or an
//! opening that an interrupted program left incomplete (a *torn* one) never passes its checks.

pub(crate) mod bytes;
#[cfg(feature = "counters")]
pub(crate) mod cells;
pub(crate) mod check;
pub(crate) mod checker;
pub(crate) mod crc;
pub(crate) mod generation;
pub(crate) mod geometry;
pub(crate) mod opening;
pub(crate) mod record;
pub(crate) mod slot;
pub(crate) mod spare_note;
#[cfg(feature = "counters")]
pub(crate) mod tally;
