//! What the cells of a tally say.

use super::record::TALLY;

/// The count that a tally stands for.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Tally {
    pub(crate) base: u64,
    /// Binary logarithm of a cell's size in bits.
    pub(crate) log: u32,
    pub(crate) ticks: u32,
    /// Number of cells.
    pub(crate) cells: u32,
}

impl Tally {
    /// Also returns whether the cells were cleared in order. Only the cell that follows the cleared
    /// ones may be half-programmed: an interrupted tick.
    pub(crate) const fn of(value: [u8; TALLY as usize], run: Run) -> (Self, bool) {
        let [base @ .., log] = value;
        let log = (log & 15) as u32;
        let ticks = run.zeros >> log;
        let tally = Self { base: u64::from_le_bytes(base), log, ticks, cells: run.bits >> log };
        (tally, run.end <= (ticks + 1) << log)
    }

    pub(crate) const fn count(&self) -> u64 {
        self.base.saturating_add(self.ticks as u64)
    }
}

/// The bits of the cells in order, lowest first: the number of leading zeros, and where the last
/// zero stands.
#[derive(Clone, Copy, Default)]
pub(crate) struct Run {
    bits: u32,
    zeros: u32,
    pub(crate) end: u32,
}

impl Run {
    pub(crate) const fn add(&mut self, byte: u8) {
        if self.zeros == self.bits {
            self.zeros += byte.trailing_zeros();
        }
        if byte != 0xFF {
            self.end = self.bits + 8 - byte.leading_ones();
        }
        self.bits += 8;
    }
}
