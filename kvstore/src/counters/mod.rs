//! Counters: values that grow, at a fraction of a record's cost for each step.

pub(crate) mod ids;
mod tally;
