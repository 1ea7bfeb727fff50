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
        let [base @ .., _] = value;
        let log = run.log;
        let tally =
            Self { base: u64::from_le_bytes(base), log, ticks: run.ticks, cells: run.bits >> log };
        (tally, run.strays <= 1)
    }

    pub(crate) const fn count(&self) -> u64 {
        self.base.saturating_add(self.ticks as u64)
    }
}

/// The bits of the cells in order, lowest first.
///
/// One wrong bit in a cell of a unit is tolerated: a cell counts as cleared if at most one of its
/// bits is set.
#[derive(Clone, Copy)]
pub(crate) struct Run {
    /// Binary logarithm of a cell's size in bits.
    log: u32,
    /// How many bits were seen.
    bits: u32,
    /// Bits that are set in the current cell.
    set: u32,
    /// Cleared cells before the first that is not.
    ticks: u32,
    /// Zero bits in cells after the one that follows the cleared ones.
    pub(crate) strays: u32,
    /// Zero bits in the cell that follows the cleared ones.
    pub(crate) begun: u32,
}

impl Run {
    /// The run of a tally whose ninth byte is `log`.
    pub(crate) const fn new(log: u8) -> Self {
        Self { log: (log & 15) as u32, bits: 0, set: 0, ticks: 0, strays: 0, begun: 0 }
    }

    pub(crate) const fn add(&mut self, byte: u8) {
        if self.log < 3 {
            // Cells of less than a byte are single bits.
            let mut bit = 0;
            while bit < 8 {
                self.add_bits(byte >> bit & 1, 1);
                bit += 1;
            }
        } else {
            self.add_bits(byte, 8);
        }
    }

    const fn add_bits(&mut self, bits: u8, count: u32) {
        let cell = self.bits >> self.log;
        self.bits += count;
        let set = bits.count_ones();
        self.set += set;
        if cell > self.ticks {
            self.strays += count - set;
        } else if self.bits >> self.log > cell {
            // The end of the first cell that may not be cleared.
            let tolerated = if self.log < 3 { 0 } else { 1 };
            if self.set <= tolerated {
                self.ticks += 1;
            } else {
                self.begun = (1 << self.log) - self.set;
            }
        }
        if self.bits >> self.log > cell {
            self.set = 0;
        }
    }
}
