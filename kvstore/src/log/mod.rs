//! The log in use: what it consists of, what a key's record is, and how changes enter it.

pub(crate) mod append;
pub(crate) mod batch;
pub(crate) mod commit;
pub(crate) mod compact;
#[cfg(feature = "counters")]
pub(crate) mod count;
pub(crate) mod live;
pub(crate) mod load;
pub(crate) mod log_end;
pub(crate) mod lookup;
pub(crate) mod state;
