//! What an interrupted step leaves: the kinds of tears, which of them are tried, and their effect.

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
