//! What an interrupted step leaves.
//!
//! `tear` has the types, `effect` what they do to the cells, `label` and `words` how a report calls
//! them. `program`, `erase` and `collateral` say which tears of a step are tried; `collect` drops
//! those that are thinned out or have the effect of an earlier one, `draw` has what the random ones
//! share, and `list` puts all of it together.
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
