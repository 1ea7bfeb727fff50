//! Distinguishes one use of a sector from the next.

/// Seeds the check of every record, so that what is left from an earlier use of the sector never
/// passes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Generation {
    /// Grows by one at each factory reset.
    pub(crate) epoch: u32,
    /// Number of the sector in the log. Grows by one at each compaction.
    pub(crate) sequence: u32,
}

impl Generation {
    pub(crate) const fn is_before(self, other: Self) -> bool {
        self.epoch < other.epoch || self.epoch == other.epoch && self.sequence < other.sequence
    }
}
