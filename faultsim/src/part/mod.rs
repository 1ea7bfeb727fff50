//! The simulated part: memory cells, what a power cut leaves in them, and the handles through which
//! storage code uses it.
//!
//! The model is at array level: reads, page programs and sector erases. Each program of one page
//! and each erase of one sector is a [`Step`], and a step is atomic unless a power cut falls into
//! it. An interrupted step leaves what a [`Tear`] describes. Cells that it left half-way are
//! *marginal*: until they are programmed or erased again, they read as the [`Bias`] of the power-up
//! says.
//!
//! # Fault model
//!
//! A [`Level`] includes all the levels before it. What it adds belongs to one or two classes
//! ([`FaultClass`]). Those above F0 can be switched off one by one, to show that the rig needs
//! them.
//!
//! | level | class | what the cut leaves |
//! |---|---|---|
//! | F0 | `Whole` | the step not begun, or complete but not acknowledged |
//! | F1 | `ProgramOrder` | a program that stopped after a whole unit, in order of address |
//! | F1 | `EraseOrder` | an erase that stopped after a whole unit, in order of address |
//! | F2 | `ProgramSubset` | any subset of the bits to clear |
//! | F2 | `ErasePhase` | one or two of: old, zeroing, zero, mixed, blank |
//! | F3 | `MarginalProgram` | marginal bits in a program that looks undone, half done or done |
//! | F3 | `WeakErase` | marginal bits in an erase, above all in one that looks complete |
//! | F4 | `Adversarial` | damage aimed at headers, checks and content that survives |
//! | F5 | `Collateral` | damage to other bytes of the page or sector being programmed |
//!
//! Besides the tear, F3 varies how the marginal bits read in the power-up that follows: all 0, all
//! 1, fixed for the power-up, different at each read, or changing over at one or two reads
//! ([`Bias`]). For code with a linear check, F4 also has torn programs that are worked out to pass
//! it ([`Subject::linear_check`](crate::subject::Subject::linear_check)). Rot at rest, wear-out and
//! bus errors are not part of this model, except for what [`spi`] says.
//!
//! A torn program is represented by the bits that are done and those that are marginal; a torn
//! erase by one state for a stretch of the sector, one for the rest, and the marginal bits.
//! [`TearLabel`] names tears more finely than the classes do, to count what a run has tried.
//!
//! # Two implementations
//!
//! [`Chip`] is the fast model that the rig runs. [`slow_model::SlowChip`] is the same part written
//! one cell at a time for readability. Tests check that the two agree.

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
