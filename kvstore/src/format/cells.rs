//! Where the cells of a tally stand.

/// The addresses of a tally's cells.
///
/// The first bytes of a page are never cells: there a mount leaves its trace when it passes over a
/// torn record. The check covers these bytes as blank, so a record that was passed over never
/// passes again.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Cells {
    pub(crate) from: u32,
    pub(crate) to: u32,
    /// Size of a page.
    pub(crate) page: u32,
    /// Bytes at the start of a page that are not cells.
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
