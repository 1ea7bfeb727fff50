//! What an interrupted step leaves: how a tear is represented, which tears are tried, and their
//! effect on the cells.
//!
//! `tear` has the data types. `list` decides which tears to try, with `program`, `erase` and
//! `collateral` for the kinds of step, `collect` to remove duplicates and `draw` for random
//! choices. `effect` applies a tear to an image. `label` and `words` are for reports.
//!
//! Cells know nothing of tears: this folder works on an [`Image`](super::Image) from outside.

mod collateral;
mod collect;
pub(super) mod draw;
mod effect;
mod erase;
mod label;
mod list;
mod program;
pub(super) mod tear;
mod words;

pub(crate) use collect::Tears;
pub use label::TearLabel;
pub use tear::{FaultClass, Tear};
