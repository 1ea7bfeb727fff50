//! What the result of a run or of a replay is about.

use outlast_faultsim::part::{Geometry, Level};
use serde::Serialize;

/// The store under test, and the simulated part.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Identity {
    /// The version of this program.
    pub(crate) version: &'static str,
    pub(crate) subject: String,
    pub(crate) geometry: Geometry,
    pub(crate) level: Level,
    pub(crate) seed: u64,
}

impl Identity {
    pub(crate) fn new(subject: &str, geometry: Geometry, level: Level, seed: u64) -> Self {
        let version = env!("CARGO_PKG_VERSION");
        Self { version, subject: subject.to_owned(), geometry, level, seed }
    }
}
