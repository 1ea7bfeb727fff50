//! The simulated part: memory cells, what a power cut leaves in them, and the handle a store sees.
//!
//! The model is at array level: reads, page programs and sector erases, each of which is atomic
//! unless a power cut falls into it. An interrupted step leaves what [`Tear`] describes; cells it
//! left half-way are *marginal* and read as [`Bias`] says until they are programmed or erased.
//!
//! [`Chip`] is the fast model. [`slow_model::SlowChip`] is the same part written one cell at a
//! time for readability; tests hold the two equal.

mod bias;
mod bus_state;
mod cells;
mod chip;
mod coin;
mod contract;
mod cut;
mod geometry;
mod marginal;
mod nor;
pub mod slow_model;
pub mod spi;
mod tears;
#[cfg(test)]
mod tests;
mod timing;
mod touched;

pub use bias::Bias;
pub(crate) use bus_state::{Busy, Work};
pub use cells::{Image, Step};
pub use chip::{Chip, Counts, Wear};
pub use contract::{ContractViolation, PartError};
pub use cut::{BusCut, CutTear};
pub use geometry::{Geometry, GeometryError, Level, LevelError};
pub use marginal::Marginal;
pub use nor::{MultiNor, Nor, Part};
pub(crate) use tears::Tears;
pub use tears::{FaultClass, Tear, TearLabel};
pub use timing::{DeviceTime, Timing};
