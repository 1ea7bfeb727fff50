//! What a run reports.

mod result;
pub mod scene;

pub use result::*;
