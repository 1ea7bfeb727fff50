//! The rig put to the test: mutation testing.
//!
//! [`mutants`] is a small store that is right, and one planted mistake at a time in it. [`prove()`]
//! runs the rig over all of them: each has to be seen at its lowest fault level, the store without
//! one has to pass, and when a mechanism of the rig is switched off
//! ([`ablation`](crate::ablation)), a mistake that needs it has to escape. The result is a kill
//! matrix, reviewed like code.
//!
//! It uses the rig as anybody else does. The one thing that looks up here is
//! [`WorkloadSource::Case`](crate::workload::source::WorkloadSource::Case), which is made for the
//! mutants.

mod kill_matrix;
pub mod mutants;
mod proof;
mod prove;

pub use proof::{Ablation, Proof, Row};
pub use prove::{Steps, prove, row};
