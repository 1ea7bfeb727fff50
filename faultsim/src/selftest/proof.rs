//! The result of a proof of the rig.

use serde::Serialize;

use crate::ablation::Mechanism;
use crate::part::Level;
use crate::report::Violation;

/// The result for one planted mistake.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Row {
    /// The mistake's name.
    pub name: &'static str,
    /// What the mistake is.
    pub about: &'static str,
    /// The lowest level at which the rig has to see it.
    pub stated: Level,
    /// The lowest level at which the rig saw it.
    pub lowest: Option<Level>,
    /// Images judged up to the first failure at that level.
    pub first: Option<u64>,
    /// Images judged in total.
    pub judged: u64,
    /// For each class of faults, the images judged up to the first failure in which it is the
    /// hardest class.
    pub by_class: Vec<(Mechanism, Option<u64>)>,
    /// Mechanisms of the rig that every failure at the lowest level needed.
    pub needs: Vec<Mechanism>,
    /// The pass and the case of the first failure at the lowest level.
    #[serde(skip)]
    pub(super) first_in: (usize, u8),
    /// A shrunk example at the lowest level found.
    pub example: Option<Violation>,
    /// What the store does wrong even without cuts, in a case with restarts. Only mistakes of level
    /// F0 may do that.
    pub fails_without_cuts: String,
}

/// The result of switching one mechanism of the rig off.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Ablation {
    /// The mechanism.
    #[serde(rename = "part")]
    pub mechanism: Mechanism,
    /// The mistake that needs it.
    pub name: &'static str,
    /// The level at which this was tried.
    pub level: Level,
    /// Whether the mistake escaped.
    pub escaped: bool,
}

/// The whole proof.
#[derive(Clone, Debug, Serialize)]
pub struct Proof {
    /// One for each planted mistake.
    pub rows: Vec<Row>,
    /// One for each mechanism of the rig that some mistake needs.
    pub ablations: Vec<Ablation>,
    /// Number of images of the store without mistakes that were judged; it passed on all of them.
    pub sound_images: u64,
    /// Number of operations in the median example.
    pub median_operations: usize,
    /// Number of cuts in the median example.
    pub median_cuts: u32,
    /// Why the rig is not proved; empty if it is.
    pub failures: Vec<String>,
}

impl Row {
    /// What is wrong with this row, if anything is.
    pub(super) fn failure(&self) -> Option<String> {
        let Self { name, stated, .. } = self;
        let without_cuts = &self.fails_without_cuts;
        if !without_cuts.is_empty() && *stated > Level::F0 {
            return Some(format!("{name} fails without cuts: {without_cuts}"));
        }
        match self.lowest {
            None => Some(format!("{name} escapes")),
            Some(lowest) if lowest != *stated => {
                Some(format!("{name} is seen at {lowest}, stated is {stated}"))
            }
            _ => None,
        }
    }
}
