//! The rig put to the test.

mod kill_matrix;
pub mod mutants;
mod proof;
mod prove;

pub use proof::{Ablation, Proof, Row};
pub use prove::{Steps, prove, row};
