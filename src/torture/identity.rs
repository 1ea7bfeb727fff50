//! What a result is about: the same for a run and for a replay.

use outlast_faultsim::part::{Geometry, Level};
use serde::Serialize;

/// What was under the rig, and where.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Identity {
    /// Of this program.
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
