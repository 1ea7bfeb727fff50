//! What a store costs: counts, simulated device time and wear under a workload, beside what theory
//! expects.
//!
//! Everything here is counted on the simulated part, so it is the same on every machine. Times are
//! those of a data sheet ([`parts`]) applied to the counts; no time of this computer enters.

pub mod format;
pub mod growth;
pub mod load;
pub mod parts;
pub mod run;
pub mod table;
pub mod theory;
