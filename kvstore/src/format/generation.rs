//! Distinguishes one use of a sector from the next.

/// Seeds the check of every record, so that what is left from an earlier use of the sector never
/// passes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Generation {
    pub(crate) epoch: u32,
    pub(crate) sequence: u32,
}

impl Generation {
    pub(crate) const fn is_before(self, other: Self) -> bool {
        self.epoch < other.epoch || self.epoch == other.epoch && self.sequence < other.sequence
    }
}
