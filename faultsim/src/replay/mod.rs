//! Runs the history of a token again, and looks for a smaller one that fails in the same way.
//!
//! On top of [`explore`](crate::explore), which does not know of it.

mod rerun;
pub mod shrink;

pub use rerun::replay;
