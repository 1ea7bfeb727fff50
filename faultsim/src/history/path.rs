//! The choices that lead from a workload to one judged image.

use crate::check::reading::BiasPick;
use crate::part::BadChange;
use crate::workload::mixed;

/// One power cut: during which step since power-up, and which of its tears.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct CutPick {
    /// How marginal cells read in the power-up that the cut ends; `Stored` in the first one.
    pub(crate) bias: BiasPick,
    /// Index into the steps of the trace; the number of steps means a cut after the last one.
    pub(crate) step: u32,
    /// Index into the list of tears; 0 if the cut falls after the last step.
    pub(crate) tear: u32,
    /// What becomes of the bad sector.
    pub(crate) bad: BadChange,
}

impl CutPick {
    /// Makes seeds differ from cut to cut.
    pub(crate) fn seed(&self, run_seed: u64) -> u64 {
        mixed(run_seed ^ mixed(u64::from(self.step) << 32 | u64::from(self.tear)))
    }
}

/// A history of the systematic mode: at least one cut, then the power-up that is judged.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Path {
    pub(crate) cuts: Vec<CutPick>,
    pub(crate) last: BiasPick,
}
