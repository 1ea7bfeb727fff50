//! The rig tested against itself: a store with planted mistakes ([`mutants`]), a run that has to
//! find each of them ([`prove()`]), and the kill matrix as text.
//!
//! Each mistake has to be seen at its lowest fault level, and the store without one has to pass.
//! When a mechanism of the rig is switched off ([`ablation`](crate::ablation)), a mistake that
//! needs it has to escape. The kill matrix is reviewed like code.
//!
//! This folder uses the rig as any other caller does. The one dependency in the other direction is
//! [`WorkloadSource::Case`](crate::workload::source::WorkloadSource::Case), which exists for the
//! mutants.

mod kill_matrix;
pub mod mutants;
mod proof;
mod prove;

pub use proof::{Ablation, Proof, Row};
pub use prove::{Steps, prove, row};
