//! What a tear does to the cells that the step works on, and to those around it.

use core::ops::Range;

use super::tear::{
    BitChange, Collateral, Done, Fill, Kind, Pick, Reach, Tear, TornErase, TornProgram,
};
use crate::part::cells::{Image, Step};
use crate::part::coin::nth;
use crate::part::geometry::Geometry;
use crate::part::marginal::{Marginal, MarginalCursor, push_marginal};

impl Image {
    /// Does the step as far as `tear` says. A tear made for the other kind of step has no effect.
    ///
    /// The step was begun in any case: what [`SecondPrograms`](crate::part::SecondPrograms) asks
    /// to be recorded is recorded even if nothing of the step happened.
    pub fn apply_torn(&mut self, g: &Geometry, step: &Step, tear: &Tear) {
        // What a bad sector does in part or not at all, it does not begin either.
        if self.bad().is_some() && !self.response(g, step).is_whole() {
            match &tear.0 {
                Kind::Everything => self.apply(g, step),
                _ => self.note_interrupted(g, step),
            }
            return;
        }
        match (step, &tear.0) {
            (_, Kind::Everything) => self.apply(g, step),
            (Step::Program { at, data }, Kind::Program(torn)) => {
                let (from, data) = self.clip(*at, data);
                let to = from + data.len();
                self.change_cells(from..to, |cells, old, new| {
                    torn.apply(cells, from, data, old, new);
                });
                self.note_programmed_by_content(g, from, to, false);
                self.note_interrupted(g, step);
            }
            (Step::Program { at, data }, Kind::Collateral(damage)) => {
                self.apply_torn(g, step, &Tear(Kind::Program(damage.program.clone())));
                let (from, data) = self.clip(*at, data);
                let program = from..from + data.len();
                let region = damage.reach.around(g, self, from);
                let base = region.start;
                self.change_cells(region, |cells, old, new| {
                    damage.apply(cells, base, &program, old, new);
                });
            }
            (Step::Erase { sector }, Kind::Erase(torn)) => {
                let Range { start: from, end: to } = self.sector_cells(g, *sector);
                self.change_cells(from..to, |cells, old, new| torn.apply(cells, from, old, new));
                self.note_programmed_by_content(g, from, to, true);
                self.count_erase(*sector);
                self.note_interrupted(g, step);
            }
            (_, Kind::Nothing) => self.note_interrupted(g, step),
            _ => {}
        }
    }
}

impl Tear {
    /// The bits that a program of `data` at `at` has to clear, in the order that numbers them: the
    /// index of the byte in the data, and the bit as a mask.
    pub(crate) fn places_to_clear(image: &Image, at: u32, data: &[u8]) -> Vec<(usize, u8)> {
        let (from, data) = image.clip(at, data);
        let mut cursor = MarginalCursor(image.marginal());
        let mut places = Vec::new();
        for (byte, data) in data.iter().enumerate() {
            let at = from + byte;
            let clear = bits_to_clear(image.bytes()[at], cursor.mask(at), *data);
            let bits = (0..8).map(|bit| 1 << bit).filter(|mask| clear & mask != 0);
            places.extend(bits.map(|mask| (byte, mask)));
        }
        places
    }
}

/// One of the bits to clear.
#[derive(Clone, Copy)]
pub(super) struct BitToClear {
    /// Its number among the bits to clear.
    pub(super) number: u32,
    /// The number of bits to clear.
    pub(super) total: u32,
    /// The number of the byte in the step.
    pub(super) byte: u32,
    /// The number of the bit in the byte.
    pub(super) bit: u32,
}

fn within(number: u32, from: u32, len: u32) -> bool {
    number >= from && number - from < len
}

impl Done {
    pub(super) fn holds(&self, bit: BitToClear) -> bool {
        let BitToClear { number, total, byte, bit } = bit;
        match *self {
            Self::First(count) => number < count,
            Self::Last(count) => total - number <= count,
            Self::Only { from, len } => within(number, from, len),
            Self::AllBut { from, len } => !within(number, from, len),
            Self::EveryOther { odd } => (number % 2 == 1) == odd,
            Self::EveryOtherByte { odd } => (byte % 2 == 1) == odd,
            Self::Toss(coin) => coin.lands(number),
            Self::Front { whole, mixed, coin } => {
                number < whole || (within(number, whole, mixed) && coin.lands(number))
            }
            Self::AllButThese(ref undone) => undone.binary_search(&number).is_err(),
            Self::AllButInByte { byte: at, undone } => byte != at || undone >> bit & 1 == 0,
            Self::Mask(mask) => number < 64 && mask >> number & 1 == 1,
        }
    }
}

impl Done {
    /// The answer for a run of bits, if it follows from their numbers and is the same for all of
    /// them.
    fn holds_run(&self, run: Range<u32>, total: u32) -> Option<bool> {
        let (from, to, inside) = match *self {
            Self::First(count) => (0, count, true),
            Self::Last(count) => (total.saturating_sub(count), total, true),
            Self::Only { from, len } => (from, from.saturating_add(len), true),
            Self::AllBut { from, len } => (from, from.saturating_add(len), false),
            _ => return None,
        };
        is_within(run, from..to).map(|is| is == inside)
    }
}

/// `Some(true)` if all of the run lies in the window, `Some(false)` if none of it does.
fn is_within(run: Range<u32>, window: Range<u32>) -> Option<bool> {
    if run.end <= window.start || window.end <= run.start {
        Some(false)
    } else if window.start <= run.start && run.end <= window.end {
        Some(true)
    } else {
        None
    }
}

/// Where in a step a piece of its bytes is.
#[derive(Clone, Copy)]
struct At {
    /// Address of the step's first byte.
    base: usize,
    /// Number of the first byte of the piece.
    byte: u32,
    /// The number of bits the step has to clear.
    total: u32,
}

impl Pick {
    /// Whether bit `number` of `total` is chosen. `one` says whether it stores a 1 after the tear.
    pub(super) fn holds(&self, number: u32, total: u32, one: bool) -> bool {
        match *self {
            Self::Nothing => false,
            Self::All => true,
            Self::Zeros => !one,
            Self::Ones => one,
            Self::Window { from, len } => within(number, from, len),
            Self::Few { count, seed } => {
                (0..count).any(|index| few(seed, index, total) == Some(number))
            }
            Self::Toss(coin) => coin.lands(number),
        }
    }

    /// The answer for a run of bits, if it follows from their numbers and is the same for all of
    /// them.
    fn holds_run(&self, run: Range<u32>) -> Option<bool> {
        match *self {
            Self::Nothing => Some(false),
            Self::All => Some(true),
            Self::Window { from, len } => is_within(run, from..from.saturating_add(len)),
            _ => None,
        }
    }

    /// The chosen bits of `cells`, which start at address `base`, in ascending order.
    pub(super) fn in_cells(&self, cells: &[u8], base: usize) -> Vec<Marginal> {
        let total = 8 * cells.len() as u64;
        let mut list = Vec::new();
        match *self {
            Self::Nothing => {}
            Self::Few { count, seed } => {
                let numbers = (0..count).filter_map(|index| few(seed, index, total as u32));
                let mut numbers: Vec<u32> = numbers.collect();
                numbers.sort_unstable();
                for run in numbers.chunk_by(|one, next| one / 8 == next / 8) {
                    let mask = run.iter().fold(0, |mask, number| mask | 1 << (number % 8));
                    push_marginal(&mut list, base + run[0] as usize / 8, mask);
                }
            }
            Self::Window { from, len } => {
                let from = u64::from(from).min(total);
                let to = (from + u64::from(len)).min(total);
                for byte in from / 8..to.div_ceil(8) {
                    let bit = |border: u64| border.clamp(8 * byte, 8 * byte + 8) - 8 * byte;
                    let mask = (1_u16 << bit(to)) - (1 << bit(from));
                    push_marginal(&mut list, base + byte as usize, mask as u8);
                }
            }
            Self::All | Self::Zeros | Self::Ones | Self::Toss(_) => {
                list.reserve(cells.len());
                for (byte, stored) in (0..).zip(cells) {
                    let mask = match *self {
                        Self::Zeros => !stored,
                        Self::Ones => *stored,
                        Self::Toss(coin) => coin.lands_8(byte),
                        _ => 0xFF,
                    };
                    push_marginal(&mut list, base + byte as usize, mask);
                }
            }
        }
        list
    }
}

fn few(seed: u64, index: u32, total: u32) -> Option<u32> {
    let number = nth(seed, u64::from(index)).checked_rem(u64::from(total))?;
    u32::try_from(number).ok()
}

/// The bits of one byte that a program has to clear.
pub(super) fn bits_to_clear(stored: u8, marginal: u8, data: u8) -> u8 {
    !data & (stored | marginal)
}

impl TornProgram {
    /// Tears the program of `data` into `cells`, which start at address `base` and have the
    /// marginal bits `old`. Appends the cells that are marginal afterwards to `new`.
    pub(super) fn apply(
        &self,
        cells: &mut [u8],
        base: usize,
        data: &[u8],
        old: &[Marginal],
        new: &mut Vec<Marginal>,
    ) {
        let total = count_bits_to_clear(cells, base, data, old);
        let mut number = 0;
        if !old.is_empty() {
            let at = At { base, byte: 0, total };
            self.apply_bytes(at, &mut number, cells, data, old, new);
            return;
        }
        // Most bytes are done or undone as a whole, so they are handled eight at a time where
        // possible.
        for ((byte, cells), data) in (0..).step_by(8).zip(cells.chunks_mut(8)).zip(data.chunks(8)) {
            let at = At { base, byte, total };
            if let (Ok(eight), Ok(data)) = (<&mut [u8; 8]>::try_from(&mut *cells), data.try_into())
            {
                let clear = u64::from_le_bytes(*eight) & !u64::from_le_bytes(data);
                let run = number..number + clear.count_ones();
                let marginal = self.marginal.holds_run(run.clone());
                let done = self.done.holds_run(run.clone(), total);
                if let (Some(false), Some(done)) = (marginal, done) {
                    if done {
                        *eight = (u64::from_le_bytes(*eight) & !clear).to_le_bytes();
                    }
                    number = run.end;
                    continue;
                }
            }
            self.apply_bytes(at, &mut number, cells, data, old, new);
        }
    }

    /// The same for a piece of the bytes, before which there are `number` bits to clear.
    fn apply_bytes(
        &self,
        at: At,
        number: &mut u32,
        cells: &mut [u8],
        data: &[u8],
        old: &[Marginal],
        new: &mut Vec<Marginal>,
    ) {
        let At { base, byte, total } = at;
        let mut cursor = MarginalCursor(old);
        for ((byte, cell), data) in (byte..).zip(cells.iter_mut()).zip(data) {
            let at = base + byte as usize;
            let mut marginal = cursor.mask(at);
            let mut rest = bits_to_clear(*cell, marginal, *data);
            let run = *number..*number + rest.count_ones();
            let picked = self.marginal.holds_run(run.clone());
            if let (Some(picked), Some(done)) = (picked, self.done.holds_run(run.clone(), total)) {
                if done {
                    *cell &= !rest;
                    marginal &= !rest;
                }
                if picked {
                    marginal |= rest;
                }
                *number = run.end;
                rest = 0;
            }
            while rest != 0 {
                let bit = rest.trailing_zeros();
                let mask = 1 << bit;
                rest &= !mask;
                let done = self.done.holds(BitToClear { number: *number, total, byte, bit });
                if done {
                    *cell &= !mask;
                }
                if self.marginal.holds(*number, total, *cell & mask != 0) {
                    marginal |= mask;
                } else if done {
                    marginal &= !mask;
                }
                *number += 1;
            }
            push_marginal(new, at, marginal);
        }
    }
}

/// The number of bits a program has to clear.
pub(super) fn count_bits_to_clear(cells: &[u8], base: usize, data: &[u8], old: &[Marginal]) -> u32 {
    if old.is_empty() {
        let (eights, rest) = cells.as_chunks::<8>();
        let (data_eights, data_rest) = data.as_chunks::<8>();
        let clear = |(cells, data): (&[u8; 8], &[u8; 8])| {
            (u64::from_le_bytes(*cells) & !u64::from_le_bytes(*data)).count_ones()
        };
        let few = rest.iter().zip(data_rest).map(|(cell, data)| (cell & !data).count_ones());
        return eights.iter().zip(data_eights).map(clear).sum::<u32>() + few.sum::<u32>();
    }
    let mut cursor = MarginalCursor(old);
    (base..)
        .zip(cells.iter().zip(data))
        .map(|(at, (cell, data))| bits_to_clear(*cell, cursor.mask(at), *data).count_ones())
        .sum()
}

impl TornErase {
    /// Tears the erase of `cells`, which start at address `base` and have the marginal bits `old`.
    /// Appends the cells that are marginal afterwards to `new`.
    pub(super) fn apply(
        &self,
        cells: &mut [u8],
        base: usize,
        old: &[Marginal],
        new: &mut Vec<Marginal>,
    ) {
        let len = cells.len();
        let from = (self.from as usize).min(len);
        let to = (self.to as usize).clamp(from, len);
        let regions = [(0..from, self.outside), (from..to, self.inside), (to..len, self.outside)];
        for (region, fill) in regions.iter().cloned() {
            fill.apply(region.start as u32, &mut cells[region]);
        }
        let kept = old.iter().filter_map(|entry| {
            let byte = entry.at as usize - base;
            let (_, fill) = regions.iter().find(|(region, _)| region.contains(&byte))?;
            let mask = entry.mask & !fill.reached(byte as u32);
            (mask != 0).then_some(Marginal { mask, ..*entry })
        });
        let picked = self.marginal.in_cells(cells, base);
        if picked.is_empty() {
            new.extend(kept);
            return;
        }
        if old.is_empty() {
            new.extend(picked);
            return;
        }
        new.reserve(picked.len() + old.len());
        // Both lists ascend. Where both have an entry for a byte, the two masks are combined.
        let mut kept = kept.peekable();
        for mut entry in picked {
            new.extend(core::iter::from_fn(|| kept.next_if(|before| before.at < entry.at)));
            if let Some(same) = kept.next_if(|same| same.at == entry.at) {
                entry.mask |= same.mask;
            }
            new.push(entry);
        }
        new.extend(kept);
    }
}

impl Fill {
    /// Applies the state to `cells`, the bytes of the sector from number `start` on.
    fn apply(self, start: u32, cells: &mut [u8]) {
        match self {
            Self::Old => {}
            Self::Zero => cells.fill(0),
            Self::Ones => cells.fill(0xFF),
            Self::Zeroing(coin) => {
                (start..).zip(cells).for_each(|(byte, cell)| *cell &= !coin.lands_8(byte));
            }
            Self::Mixed(coin) => {
                (start..).zip(cells).for_each(|(byte, cell)| *cell = coin.lands_8(byte));
            }
            Self::Rising(coin) => {
                (start..).zip(cells).for_each(|(byte, cell)| *cell |= coin.lands_8(byte));
            }
        }
    }

    /// The bits of a byte of the sector that are solid now, whatever they were before.
    fn reached(self, byte: u32) -> u8 {
        match self {
            Self::Old => 0,
            Self::Zero | Self::Ones | Self::Mixed(_) => 0xFF,
            Self::Zeroing(coin) | Self::Rising(coin) => coin.lands_8(byte),
        }
    }
}

impl BitChange {
    const fn apply(self, stored: u8, mask: u8) -> u8 {
        match self {
            Self::Zero => stored & !mask,
            Self::One => stored | mask,
            Self::Other => stored ^ mask,
        }
    }
}

impl Reach {
    /// The bytes of the page or sector that holds byte `at`, as far as the image goes.
    pub(super) fn around(self, g: &Geometry, image: &Image, at: usize) -> Range<usize> {
        let size = match self {
            Self::Page => g.page_size(),
            Self::Sector => g.sector_size(),
        } as usize;
        let end = image.bytes().len();
        let from = (at / size * size).min(end);
        from..(from + size).min(end)
    }
}

impl Collateral {
    /// Damages the bytes of `cells` outside the addresses `program`; `cells` start at address
    /// `base`. Appends those that are marginal afterwards to `new`.
    pub(super) fn apply(
        &self,
        cells: &mut [u8],
        base: usize,
        program: &Range<usize>,
        old: &[Marginal],
        new: &mut Vec<Marginal>,
    ) {
        let mut outside = Vec::with_capacity(cells.len());
        outside.extend((base..).zip(&*cells).filter(|(at, _)| !program.contains(at)));
        let (places, mut bytes): (Vec<usize>, Vec<u8>) =
            outside.into_iter().map(|(at, byte)| (at, *byte)).unzip();
        let changed = self.changed.in_cells(&bytes, 0);
        for entry in &changed {
            let byte = &mut bytes[entry.at as usize];
            *byte = self.to.apply(*byte, entry.mask);
            cells[places[entry.at as usize] - base] = *byte;
        }
        let marginal = self.marginal.in_cells(&bytes, 0);
        let mut masks = vec![0; cells.len()];
        let old = old.iter().map(|entry| (entry.at as usize - base, entry.mask));
        old.for_each(|(byte, mask)| masks[byte] = mask);
        changed.iter().for_each(|entry| masks[places[entry.at as usize] - base] &= !entry.mask);
        marginal.iter().for_each(|entry| masks[places[entry.at as usize] - base] |= entry.mask);
        (base..).zip(masks).for_each(|(at, mask)| push_marginal(new, at, mask));
    }
}
