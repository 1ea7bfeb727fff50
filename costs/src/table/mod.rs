//! The benchmark: a store and simpler schemes over loads and parts, each figure beside what theory
//! expects.

mod config;
mod expectation;
mod job;
mod jobs;
mod measure;
mod row;

pub use config::Bench;
pub use row::{Against, Ratios, Results, Row, Theory};
