//! Where the cells of a tally stand.

/// The addresses of a tally's cells. Those of page tags among them are not cells.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Cells {
    pub(crate) from: u32,
    pub(crate) to: u32,
}

impl Cells {
    pub(crate) const NONE: Self = Self { from: 0, to: 0 };

    pub(crate) const fn holds(&self, address: u32) -> bool {
        self.from <= address && address < self.to
    }
}
