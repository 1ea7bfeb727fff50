//! Start states near every edge of a log, and short sequences of operations from there: a
//! sector with room for exactly no, one or two records more, a ring about to close, an oldest
//! sector of which nothing or everything lives, pages used up by restarts.
//!
//! A long record, soon dead, fills a sector, so that there are few records to walk over and an
//! image is judged in little time. How long it has to be is found out from the code under test.

mod list;
mod run;

pub use crate::config::{Edges, Shard, ShardError};
pub use crate::workload::edge::{OpSequence, Start};
pub use list::Edge;
pub(crate) use run::run;
