//! The result of replaying a token.

use outlast_faultsim::check::finding::Breach;
use outlast_faultsim::report::Outcome;
use outlast_faultsim::report::scene::Scene;
use serde::Serialize;

use super::identity::Identity;

/// The result of replaying a token, which `--json` prints.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Story {
    #[serde(flatten)]
    pub(crate) identity: Identity,
    pub(crate) token: String,
    /// What was wrong when the token was made.
    pub(crate) breach: Breach,
    pub(crate) outcome: Outcome,
    /// What is wrong now, or why the history could not be followed; empty if nothing is wrong.
    pub(crate) sentence: String,
    /// One line for each operation.
    pub(crate) operations: Vec<String>,
    /// One line for each cut.
    pub(crate) cut_points: Vec<String>,
    /// Pictures of the last cuts, and of the flash when something was found wrong.
    pub(crate) scenes: Vec<Scene>,
}
