//! The rig tested against itself: a store with planted mistakes ([`mutants`]), a run that has to
//! find each of them ([`prove()`]), and the kill matrix as text.

mod kill_matrix;
pub mod mutants;
mod proof;
mod prove;

pub use proof::{Ablation, Proof, Row};
pub use prove::{Steps, prove, row};
