//! Runs the history of a token again, and looks for a smaller one.

mod history;
pub mod shrink;

pub use history::replay;
