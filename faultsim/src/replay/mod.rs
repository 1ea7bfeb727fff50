//! Runs the history of a token again, and looks for a smaller one.

mod rerun;
pub mod shrink;

pub use rerun::replay;
