//! What a run reports.

mod replayed;
mod result;
pub mod scene;

pub use replayed::{Outcome, Replay};
pub use result::*;
