//! What a run reports, as data: ready to be printed or written as JSON.
//!
//! Nothing here runs the code under test, and nothing is laid out for a reader: that is up to the
//! program that shows it.

mod replayed;
mod result;
pub mod scene;

pub use replayed::{Outcome, Replay};
pub use result::*;
