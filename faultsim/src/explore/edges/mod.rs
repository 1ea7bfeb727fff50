//! Start states near every limit of a log, and short sequences of operations from there: a sector
//! with room for exactly zero, one or two more records, a log as long as it can get, an oldest
//! sector in which nothing or everything is live, pages used up by restarts.
//!
//! A long record that is soon replaced fills a sector, so that there are few records to read and an
//! image is judged quickly. How long it has to be is found by trying it on the code under test.

mod list;
mod run;

pub use crate::config::{Edges, Shard, ShardError};
pub use crate::workload::edge::{OpSequence, Start};
pub use list::Edge;
pub(crate) use run::run;
