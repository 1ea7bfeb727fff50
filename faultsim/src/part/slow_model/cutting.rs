//! Steps of the slow model, complete and torn.

use crate::part::cells::Step;
use crate::part::coin::{Coin, nth};

use super::{Cell, SlowChip};
use crate::part::tears::tear::{
    BitChange, Collateral, Done, Fill, Kind, Pick, Reach, Tear, TornErase, TornProgram,
};

impl SlowChip {
    /// Does the whole step.
    pub(super) fn finish(&mut self, step: &Step) {
        match step {
            Step::Program { at, data } => {
                for index in self.bits_to_clear(*at, data) {
                    self.cells[index] = Cell::Zero;
                }
                for offset in 0..data.len() {
                    self.programmed[(*at as usize + offset) / self.geometry.unit as usize] = true;
                }
                self.note_program(*at, data, true);
            }
            Step::Erase { sector } => {
                let bits = self.sector_bits(*sector);
                for index in bits {
                    self.cells[index] = Cell::One;
                    self.programmed[index / 8 / self.geometry.unit as usize] = false;
                }
                self.erases[*sector as usize] += 1;
                self.note_erase(*sector, true);
            }
        }
    }

    /// The indices of the bits that are commanded 0 and are not solid 0 yet.
    fn bits_to_clear(&self, at: u32, data: &[u8]) -> Vec<usize> {
        let mut bits = Vec::new();
        for (offset, byte) in data.iter().enumerate() {
            for bit in 0..8 {
                let index = 8 * (at as usize + offset) + bit;
                if byte >> bit & 1 == 0 && self.cells[index] != Cell::Zero {
                    bits.push(index);
                }
            }
        }
        bits
    }

    pub(super) fn sector_bits(&self, sector: u32) -> core::ops::Range<usize> {
        let bits = 8 * self.geometry.sector_bytes as usize;
        sector as usize * bits..(sector as usize + 1) * bits
    }

    /// Does the step as far as the tear says.
    pub(super) fn tear(&mut self, step: &Step, tear: &Tear) {
        match (step, &tear.0) {
            (_, Kind::Everything) => self.finish(step),
            (Step::Program { at, data }, Kind::Program(torn)) => {
                self.tear_program(*at, data, torn);
                let units = *at as usize / self.geometry.unit as usize
                    ..(*at as usize + data.len()).div_ceil(self.geometry.unit as usize);
                for unit in units {
                    self.programmed[unit] |= self.has_zero(unit);
                }
                self.note_program(*at, data, false);
            }
            (Step::Program { at, data }, Kind::Collateral(damage)) => {
                self.tear(step, &Tear(Kind::Program(damage.program.clone())));
                self.damage(*at as usize..*at as usize + data.len(), damage);
            }
            (Step::Erase { sector }, Kind::Erase(torn)) => {
                self.tear_erase(*sector, torn);
                for index in self.sector_bits(*sector) {
                    let unit = index / 8 / self.geometry.unit as usize;
                    self.programmed[unit] = self.has_zero(unit);
                }
                self.erases[*sector as usize] += 1;
                self.note_erase(*sector, false);
            }
            (Step::Program { at, data }, Kind::Nothing) => self.note_program(*at, data, false),
            (Step::Erase { sector }, Kind::Nothing) => self.note_erase(*sector, false),
            _ => {}
        }
    }

    fn has_zero(&self, unit: usize) -> bool {
        let bits = 8 * self.geometry.unit as usize;
        self.cells[unit * bits..(unit + 1) * bits].iter().any(|cell| !cell.stored())
    }

    fn tear_program(&mut self, at: u32, data: &[u8], torn: &TornProgram) {
        let bits = self.bits_to_clear(at, data);
        let total = bits.len();
        for (number, index) in bits.into_iter().enumerate() {
            let byte = index / 8 - at as usize;
            let bit = index % 8;
            let done = match torn.done {
                Done::First(count) => number < count as usize,
                Done::Last(count) => number + count as usize >= total,
                Done::Only { from, len } => is_within(number, from, len),
                Done::AllBut { from, len } => !is_within(number, from, len),
                Done::AllButThese(ref undone) => {
                    !undone.iter().any(|undone| *undone as usize == number)
                }
                Done::EveryOther { odd: false } => number.is_multiple_of(2),
                Done::EveryOther { odd: true } => number % 2 == 1,
                Done::EveryOtherByte { odd: false } => byte.is_multiple_of(2),
                Done::EveryOtherByte { odd: true } => byte % 2 == 1,
                Done::Toss(coin) => lands(coin, number),
                Done::Front { whole, mixed, coin } => {
                    let in_front = is_within(number, whole, mixed);
                    number < whole as usize || in_front && lands(coin, number)
                }
                Done::AllButInByte { byte: wanted, undone } => {
                    !(byte == wanted as usize && undone & (1 << bit) != 0)
                }
                Done::Mask(mask) => number < 64 && mask & (1 << number) != 0,
            };
            let before = self.cells[index];
            let stored = before.stored() && !done;
            self.cells[index] = if is_picked(&torn.marginal, number, total, stored) {
                Cell::Marginal { stored }
            } else if done {
                Cell::Zero
            } else {
                before
            };
        }
    }

    /// Changes bits of the page or sector outside the bytes of a program, and makes some of them
    /// marginal.
    fn damage(&mut self, program: core::ops::Range<usize>, damage: &Collateral) {
        let size = match damage.reach {
            Reach::Page => self.geometry.page as usize,
            Reach::Sector => self.geometry.sector_bytes as usize,
        };
        let first = program.start / size * size;
        let outside: Vec<usize> =
            (first..first + size).filter(|byte| !program.contains(byte)).collect();
        let total = 8 * outside.len();
        for (number, index) in outside.iter().flat_map(|byte| 8 * byte..8 * byte + 8).enumerate() {
            let before = self.cells[index].stored();
            if is_picked(&damage.changed, number, total, before) {
                let stored = match damage.to {
                    BitChange::Zero => false,
                    BitChange::One => true,
                    BitChange::Other => !before,
                };
                self.cells[index] = Cell::solid(stored);
            }
            let stored = self.cells[index].stored();
            if is_picked(&damage.marginal, number, total, stored) {
                self.cells[index] = Cell::Marginal { stored };
            }
        }
    }

    fn tear_erase(&mut self, sector: u32, torn: &TornErase) {
        let bits = self.sector_bits(sector);
        let total = bits.len();
        for (number, index) in bits.enumerate() {
            let byte = (number / 8) as u32;
            let inside = torn.from <= byte && byte < torn.to;
            let before = self.cells[index];
            let after = match if inside { torn.inside } else { torn.outside } {
                Fill::Old => before,
                Fill::Zero => Cell::Zero,
                Fill::Ones => Cell::One,
                Fill::Zeroing(coin) if lands(coin, number) => Cell::Zero,
                Fill::Rising(coin) if lands(coin, number) => Cell::One,
                Fill::Zeroing(_) | Fill::Rising(_) => before,
                Fill::Mixed(coin) => Cell::solid(lands(coin, number)),
            };
            let stored = after.stored();
            let picked = is_picked(&torn.marginal, number, total, stored);
            self.cells[index] = if picked { Cell::Marginal { stored } } else { after };
        }
    }
}

fn is_within(number: usize, from: u32, len: u32) -> bool {
    (from as usize..from as usize + len as usize).contains(&number)
}

fn lands(coin: Coin, number: usize) -> bool {
    let lane = nth(coin.seed, number as u64 / 8).to_le_bytes()[number % 8];
    u16::from(lane) < coin.of_256
}

fn is_picked(pick: &Pick, number: usize, total: usize, stored: bool) -> bool {
    match *pick {
        Pick::Nothing => false,
        Pick::All => true,
        Pick::Zeros => !stored,
        Pick::Ones => stored,
        Pick::Window { from, len } => is_within(number, from, len),
        Pick::Few { count, seed } => {
            (0..count).any(|j| nth(seed, u64::from(j)) % total as u64 == number as u64)
        }
        Pick::Toss(coin) => lands(coin, number),
    }
}
