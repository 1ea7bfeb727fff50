//! Which use of a sector its records belong to.

/// What seeds the check of a record, so that what an earlier life of the sector left never passes.
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
