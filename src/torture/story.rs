//! What became of the history of a token.

use outlast_faultsim::check::finding::Breach;
use outlast_faultsim::report::Outcome;
use outlast_faultsim::report::scene::Scene;
use serde::Serialize;

use super::identity::Identity;

/// What became of the history; as JSON what `--json` prints.
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
    /// One line each.
    pub(crate) operations: Vec<String>,
    /// One line per cut.
    pub(crate) cut_points: Vec<String>,
    /// The last cuts as pictures, and the part when something was found wrong.
    pub(crate) scenes: Vec<Scene>,
}
