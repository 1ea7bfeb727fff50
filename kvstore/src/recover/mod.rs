//! What a mount does: it finds the head of the log, replays the log, and settles its end.
//!
//! A mount may be cut at any step, any number of times. It reports nothing before a later mount is
//! bound to report the same. The steps are those of the chapter "Mounting" in `FORMAT.md`:
//! [`find_head`], then [`replay`], which steps through each sector with [`walk`] and
//! [`settle_record`], then [`settle`], unless the log rests. A blank region gets a [`first_format`]
//! before that. [`mount`] puts the steps together.

#[cfg(feature = "counters")]
pub(crate) mod close_tallies;
pub(crate) mod find_head;
pub(crate) mod first_format;
pub(crate) mod mount;
pub(crate) mod replay;
pub(crate) mod settle;
pub(crate) mod settle_record;
pub(crate) mod walk;
