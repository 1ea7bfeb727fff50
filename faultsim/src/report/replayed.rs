//! What became of a history that was run again.

use serde::{Deserialize, Serialize};

use super::scene::Scene;

/// What became of a history when it was run again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Replay {
    /// The result in one word.
    pub outcome: Outcome,
    /// What is wrong now, or why the history could not be followed; empty if nothing is wrong.
    pub sentence: String,
    /// The operations, one line each.
    pub operations: Vec<String>,
    /// Where the power goes and how the part is left, one line per cut.
    pub cut_points: Vec<String>,
    /// The last cuts as pictures, and the part when something was found wrong.
    pub scenes: Vec<Scene>,
}

/// The result of running a history again.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// It fails in the way it did.
    Reproduced,
    /// Same operations, same cuts, same image: and nothing is wrong.
    PassesNow,
    /// The code writes other things now, so the history is not the one recorded; or it fails in
    /// another way.
    Diverged,
}
