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
//! Each [`Level`] up to F5 includes all the levels before it. What a store owes at each is said there. The
//! classes above F0 can be switched off one by one, to show that the rig needs them.
//!
//! | level | faults | generated in |
//! |---|---|---|
//! | F0 | cuts between steps | [`Tear::NOTHING`] and [`Tear::EVERYTHING`], which every list begins with |
//! | F1 | programs and erases that stop in unit order | `tears/program.rs`, `tears/erase.rs` |
//! | F2 | any subset of the bits of a program; an erase cut in any phase | the same: `subsets`, `phases` |
//! | F3 | marginal bits, and incompletely erased sectors that look blank | the same: `marginal`; how they read is in `bias.rs` |
//! | F4 | subsets that are chosen to fool the checks of a record | the same: `adversarial`, `survivors`; and `explore/collisions.rs` for checks that are linear |
//! | F5 | damage to other bytes of the page or sector under a program | `tears/collateral.rs` |
//! | F7 | the faults of F3, and a sector that does not erase or takes no programs | `bad_sector.rs` |
//! | F6, F8, F9 | decay at rest, bus errors, cancelled calls | not simulated |
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
//! Besides the tear, F3 varies how the marginal bits read in the power-up that follows: all 0, all
//! 1, fixed for the power-up, different at each read, or changing over at one or two reads
//! ([`Bias`]). For code with a linear check, F4 also has torn programs that are worked out to pass
//! it ([`Subject::linear_check`](crate::subject::Subject::linear_check)).
//!
//! # Programmed once
//!
//! Some code promises to program each unit once between two erases. [`SecondPrograms`] says what
//! the part does about other programs, and `programs.rs` keeps the record that this needs.
//!
//! # Two implementations
//!
//! [`Chip`] is the fast model that the rig runs. [`slow_model::SlowChip`] is the same part written
//! one cell at a time for readability. It shares the types of the fast model and no code, and tests
//! check that the two agree. [`spi`] is the part on its serial bus.
//!
//! Nothing here knows of stores, operations or histories. The list of tears of a step is part of
//! the replay tokens, see [`Tear::list`].

mod bad_sector;
mod bias;
mod bus_state;
mod byte_set;
mod cells;
mod chip;
mod coin;
mod contract;
mod cut;
mod geometry;
mod marginal;
mod nor;
mod programs;
pub mod slow_model;
pub mod spi;
mod tears;
#[cfg(test)]
mod tests;
mod timing;
mod touched;

pub use bad_sector::{BadChange, BadKind, BadSector, Effect, Response};
pub use bias::Bias;
pub(crate) use bus_state::{Busy, Work};
pub use cells::{Image, Step};
pub use chip::{Chip, Counts, Wear};
pub use contract::{ContractViolation, PartError};
pub use cut::{BusCut, CutTear};
pub use geometry::{Geometry, GeometryError, Level, LevelError};
pub use marginal::Marginal;
pub use nor::{MultiNor, Nor, Part};
pub use programs::SecondPrograms;
pub(crate) use tears::Tears;
pub use tears::{FaultClass, Tear, TearLabel};
pub use timing::{DeviceTime, Timing};
