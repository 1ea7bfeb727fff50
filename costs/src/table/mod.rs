//! The benchmark: the store and simpler schemes under several loads and on several parts, with each
//! figure beside what theory expects.

mod config;
mod expectation;
mod job;
mod jobs;
mod measure;
mod row;

pub use config::Bench;
pub use row::{Against, Ratios, Results, Row, Theory};
