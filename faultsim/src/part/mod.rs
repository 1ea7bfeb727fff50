//! The simulated part: memory cells, what a power cut leaves in them, and the handle a store sees.
//!
//! The model is at array level: reads, page programs and sector erases, each of which is atomic
//! unless a power cut falls into it. An interrupted step leaves what [`Tear`] describes; cells it
//! left half-way are *marginal* and read as [`Bias`] says until they are programmed or erased.
//!
//! # Fault model
//!
//! Each [`Level`] includes the ones above it. What a store owes at each is said there.
//!
//! | level | faults | generated in |
//! |---|---|---|
//! | F0 | cuts between steps | [`Tear::NOTHING`] and [`Tear::EVERYTHING`], which every list begins with |
//! | F1 | programs and erases that stop in unit order | `tears/program.rs`, `tears/erase.rs` |
//! | F2 | any subset of the bits of a program; an erase cut in any phase | the same: `subsets`, `phases` |
//! | F3 | marginal bits, and incompletely erased sectors that look blank | the same: `marginal`; how they read is in `bias.rs` |
//! | F4 | subsets that are chosen to fool the checks of a record | the same: `adversarial`, `survivors`; and `explore/collisions.rs` for checks that are linear |
//! | F5 | damage to other bytes of the page or sector under a program | `tears/collateral.rs` |
//! | F6 to F9 | decay at rest, wear, bus errors, cancelled calls | not simulated |
//!
//! Three types describe a tear: how it is made, what it is an instance of, and how it is counted.
//!
//! | [`FaultClass`]: a level allows it, an ablation switches it off | [`Tear`]: how it is represented | [`TearLabel`]: how a report counts it |
//! |---|---|---|
//! | `Whole` | nothing or everything | `Between`, `ProgramNothing`, `ProgramEverything`, `EraseNothing`, `EraseEverything` |
//! | `ProgramOrder` | program: the first bits | `ProgramFirst` |
//! | `ProgramSubset` | program: any choice of bits | `ProgramFirst`, `ProgramLast`, `ProgramOnly`, `ProgramAllBut`, `ProgramEveryOther`, `ProgramRandom`, `ProgramChosen` |
//! | `MarginalProgram` | program with a choice of marginal bits | `ProgramMarginal` |
//! | `EraseOrder` | erase: one state up to an address, another after it | `EraseTwoPhases` |
//! | `ErasePhase` | erase: one or two states of the sector | `EraseZeroing`, `EraseZero`, `EraseMixed`, `EraseTwoPhases` |
//! | `WeakErase` | erase with a choice of marginal bits | `EraseMarginal` |
//! | `Adversarial` | any of a program or an erase | as above |
//! | `Collateral` | program with damage beside it | `ProgramCollateral` |
//!
//! # Rules
//!
//! Nothing here knows of storage code, operations or histories. [`Chip`] is the fast model.
//! [`slow_model::SlowChip`] is the same part written one cell at a time for readability; it shares
//! the types of the fast model and no code, and tests compare the two. [`spi`] is the part on its
//! serial bus. The list of tears of a step is part of the replay tokens, see [`Tear::list`].

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
