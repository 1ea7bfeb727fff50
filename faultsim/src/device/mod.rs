//! The simulated part: memory cells, what a power cut leaves in them, and the handle a store sees.
//!
//! The model is at array level: reads, page programs and sector erases, each of which is atomic
//! unless a power cut falls into it. An interrupted step leaves what [`Tear`] describes; cells it
//! left half-way are *marginal* and read as [`Bias`] says until they are programmed or erased.
//!
//! [`Chip`] is the fast model. [`obvious::ObviousChip`] is the same part written one cell at a
//! time for readability; tests hold the two equal.

mod bias;
mod cells;
mod chance;
mod chip;
mod class;
mod collateral;
mod contract;
mod geometry;
mod nor;
pub mod obvious;
mod phrases;
mod plan;
mod plan_erase;
mod plan_program;
mod tear;
#[cfg(test)]
mod tests;
mod timing;
mod touched;
mod volatile;

pub use bias::Bias;
pub use cells::{Image, Step, Weak};
pub use chip::{Chip, Counts, CutTear, Wear};
pub use class::TearKind;
pub use contract::{ContractViolation, PartError};
pub use geometry::{Geometry, GeometryError, Level, LevelError};
pub use nor::{MultiNor, Nor, Part};
pub(crate) use plan::Tears;
pub use tear::{Tear, TearClass};
pub use timing::{DeviceTime, Timing};
pub use volatile::BusCut;
pub(crate) use volatile::{Busy, Work};
