//! Opening a store: what is in the flash, and where its log ends.

#[cfg(feature = "counters")]
pub(crate) mod close_tallies;
pub(crate) mod find_end;
pub(crate) mod find_head;
pub(crate) mod first_format;
pub(crate) mod held;
pub(crate) mod mount;
pub(crate) mod replay;
pub(crate) mod settle;
pub(crate) mod settle_record;
pub(crate) mod walk;
