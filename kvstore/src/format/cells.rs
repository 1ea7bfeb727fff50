//! Where the cells of a tally stand.

/// Where the cells of a tally stand, as addresses.
///
/// Not at the start of a page, where a mount leaves its trace when it passes over a torn record: there
/// the check covers blank bytes, so what was passed over never passes again.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Cells {
    pub(crate) from: u32,
    pub(crate) to: u32,
    /// Size of a page, and bytes at its start that are no cells.
    pub(crate) page: u32,
    pub(crate) passed: u32,
}

impl Cells {
    pub(crate) const NONE: Self = Self { from: 0, to: 0, page: 1, passed: 0 };

    pub(crate) const fn is_empty(&self) -> bool {
        self.to <= self.from
    }

    pub(crate) const fn holds(&self, address: u32) -> bool {
        self.from <= address && address < self.to && address & (self.page - 1) >= self.passed
    }
}
