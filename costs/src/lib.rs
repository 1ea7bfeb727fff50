//! What a store costs: counts, simulated device time and wear under a workload, beside what theory
//! expects; and how long a part lasts under the settings of a product ([`endurance`]).
//!
//! Everything here is counted on the simulated part, so it is the same on every machine. Times are
//! those of a data sheet ([`sheet`]) applied to the counts; no time of this computer enters.

pub mod endurance;
pub mod format;
pub mod growth;
pub mod load;
pub mod run;
pub mod sheet;
pub mod table;
pub mod theory;
