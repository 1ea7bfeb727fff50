//! Counters: increments that cost a fraction of a record each, and numbers that are used only once.

pub(crate) mod ids;
mod tally;
