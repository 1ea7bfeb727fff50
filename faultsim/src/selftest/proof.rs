//! What a proof of the rig finds out.

use serde::Serialize;

use crate::ablation::Mechanism;
use crate::part::Level;
use crate::report::Violation;

/// What became of one planted mistake.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Row {
    /// The mistake's name.
    pub name: &'static str,
    /// What it is.
    pub about: &'static str,
    /// The level at which it has to be seen.
    pub stated: Level,
    /// The lowest level at which it was seen.
    pub lowest: Option<Level>,
    /// Images judged up to the first failure at that level, and in all.
    pub first: Option<u64>,
    /// See `first`.
    pub judged: u64,
    /// For each class of faults: images judged up to the first failure in which it is the
    /// hardest one.
    pub by_class: Vec<(Mechanism, Option<u64>)>,
    /// Parts of the rig that all failures at the lowest level took.
    pub needs: Vec<Mechanism>,
    /// Pass and case with the first failure at the lowest level.
    #[serde(skip)]
    pub(super) first_in: (usize, u8),
    /// An example at the lowest level found, made smaller.
    pub example: Option<Violation>,
    /// What the store does wrong even without cuts in a case with restarts; only mistakes of F0
    /// may.
    pub fails_without_cuts: String,
}

/// A part of the rig switched off.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Ablation {
    /// The part.
    #[serde(rename = "part")]
    pub mechanism: Mechanism,
    /// The mistake that needs it.
    pub name: &'static str,
    /// At this level.
    pub level: Level,
    /// Whether the mistake escaped.
    pub escaped: bool,
}

/// The whole proof.
#[derive(Clone, Debug, Serialize)]
pub struct Proof {
    /// One per planted mistake.
    pub rows: Vec<Row>,
    /// One per part of the rig for which a mistake was found that needs it.
    pub ablations: Vec<Ablation>,
    /// Images of the store without mistakes that were judged, all in order.
    pub sound_images: u64,
    /// Operations and cuts of the median example.
    pub median_operations: usize,
    /// See `median_operations`.
    pub median_cuts: u32,
    /// Why the rig is not proved; empty if it is.
    pub failures: Vec<String>,
}

impl Row {
    /// What is wrong with it.
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
