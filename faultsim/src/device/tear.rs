//! How far an interrupted step came.
//!
//! A tear is a rule, not a list of bits: it says the same for any data, so it is small and can
//! be printed and replayed.

use core::ops::Range;

use serde::{Deserialize, Serialize};

use super::cells::{Image, Weak, WeakCursor};
use super::chance::{Coin, nth};
use super::collateral::Hurt;

/// How far an interrupted step came. `Display` is a short phrase for reports.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Tear(pub(super) Kind);

#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(super) enum Kind {
    /// The cut came before the step had any effect.
    Nothing,
    /// The step was complete, only nobody heard of it.
    Everything,
    Program(TornProgram),
    Erase(TornErase),
    Collateral(Hurt),
}

/// Bits to clear are the bits commanded 0 that are not solid 0 yet, numbered from 0 in order of
/// address and, within a byte, from bit 0 up. All others are left as they are.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(super) struct TornProgram {
    /// Bits to clear that came to store a 0; the others store what they did.
    pub(super) done: Done,
    /// Bits to clear that are marginal now; of the rest the done ones are solid 0.
    pub(super) weak: Pick,
}

/// A choice among the bits to clear.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(super) enum Done {
    First(u32),
    Last(u32),
    /// Bits `from..from + len`.
    Only {
        from: u32,
        len: u32,
    },
    /// All but bits `from..from + len`.
    AllBut {
        from: u32,
        len: u32,
    },
    /// Bits whose number is even, or odd.
    EveryOther {
        odd: bool,
    },
    /// Bits in bytes of the step whose number is even, or odd.
    EveryOtherByte {
        odd: bool,
    },
    /// Each bit for which the coin lands.
    Toss(Coin),
    /// The first `whole` bits, and of the `mixed` bits behind them those for which the coin
    /// lands.
    Front {
        whole: u32,
        mixed: u32,
        coin: Coin,
    },
    /// All but the bits with these numbers, which ascend.
    AllButThese(Box<[u32]>),
    /// All but the bits `undone` of the step's byte number `byte`.
    AllButInByte {
        byte: u32,
        undone: u8,
    },
    /// Bit n if bit n of the mask is set. For at most 64 bits to clear.
    Mask(u64),
}

/// The erase of a sector: one state in bytes `from..to` of the sector, another outside.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(super) struct TornErase {
    pub(super) from: u32,
    pub(super) to: u32,
    pub(super) inside: Fill,
    pub(super) outside: Fill,
    /// Bits of the sector that are marginal now, whatever they store.
    pub(super) weak: Pick,
}

/// What an interrupted erase leaves of a bit. Coins are those of the bit's number in the sector.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(super) enum Fill {
    /// What was there, marginal bits included.
    Old,
    /// Solid 0.
    Zero,
    /// Solid 1.
    Ones,
    /// Solid 0 where the coin lands, else old: programming to zero under way.
    Zeroing(Coin),
    /// Solid 1 where the coin lands, else solid 0: erase pulses under way.
    Mixed(Coin),
    /// Solid 1 where the coin lands, else old: erase pulses without zeroing before.
    Rising(Coin),
}

/// A choice of marginal bits, among the bits to clear of a program or the bits of a sector.
/// Numbers are in order of address, from bit 0 up.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(super) enum Pick {
    Nothing,
    All,
    /// Those that store 0 after the tear.
    Zeros,
    /// Those that store 1 after the tear.
    Ones,
    /// Bits `from..from + len`.
    Window {
        from: u32,
        len: u32,
    },
    /// The bits with number `nth(seed, j) % total` for j in `0..count`.
    Few {
        count: u32,
        seed: u64,
    },
    /// Each bit for which the coin lands.
    Toss(Coin),
}

/// The class of faults that a tear belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum TearClass {
    /// Nothing or everything happened.
    Whole,
    /// A program that stopped in unit order.
    ProgramOrder,
    /// An erase that stopped in unit order.
    EraseOrder,
    /// Any subset of the bits of a program.
    ProgramSubset,
    /// Any phase of an erase.
    ErasePhase,
    /// Marginal bits behind a program.
    MarginalProgram,
    /// Marginal bits behind an erase, most of all one that looks done.
    WeakErase,
    /// A subset chosen to fool checks.
    Adversarial,
    /// Damage to other bytes of the page or sector under a program.
    Collateral,
}

impl Tear {
    /// The cut came before the step had any effect.
    pub const NOTHING: Self = Self(Kind::Nothing);
    /// The step was complete, but the caller was never told.
    pub const EVERYTHING: Self = Self(Kind::Everything);

    /// Whether it hurt bytes that the step does not work on.
    pub(crate) const fn is_collateral(&self) -> bool {
        matches!(self.0, Kind::Collateral(_))
    }

    /// The same tear without what it did to other bytes, if it did.
    pub(crate) fn without_collateral(&self) -> Option<Self> {
        match &self.0 {
            Kind::Collateral(hurt) => Some(Self(Kind::Program(hurt.program.clone()))),
            _ => None,
        }
    }

    /// A program of which all bits were done but those with these numbers, which ascend. Numbers
    /// are places in the list of [`Tear::places_to_clear`].
    pub(crate) const fn all_but(undone: Box<[u32]>) -> Self {
        Self(Kind::Program(TornProgram { done: Done::AllButThese(undone), weak: Pick::Nothing }))
    }

    /// The bits that a program of `data` at `at` has to clear, in the order that numbers them:
    /// which byte of the data, and the bit as a mask.
    pub(crate) fn places_to_clear(image: &Image, at: u32, data: &[u8]) -> Vec<(usize, u8)> {
        let (from, data) = image.clip(at, data);
        let mut cursor = WeakCursor(image.weak());
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
    /// How many there are.
    pub(super) total: u32,
    /// The byte of the step.
    pub(super) byte: u32,
    /// The bit of the byte.
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
    /// The same for a run of bits, if it can be told from the numbers and is one for all.
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

/// Whether all of the run lies in the window, or nothing of it.
fn is_within(run: Range<u32>, window: Range<u32>) -> Option<bool> {
    if run.end <= window.start || window.end <= run.start {
        Some(false)
    } else if window.start <= run.start && run.end <= window.end {
        Some(true)
    } else {
        None
    }
}

/// Where in a step some of its bytes are.
#[derive(Clone, Copy)]
struct At {
    /// Address of the step's first byte.
    base: usize,
    /// Number of the first of these bytes.
    byte: u32,
    /// How many bits the step has to clear.
    total: u32,
}

impl Pick {
    /// Whether bit `number` of `total` is chosen, which stores `one` after the tear.
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

    /// The same for a run of bits, if it can be told from the numbers and is one for all.
    fn holds_run(&self, run: Range<u32>) -> Option<bool> {
        match *self {
            Self::Nothing => Some(false),
            Self::All => Some(true),
            Self::Window { from, len } => is_within(run, from..from.saturating_add(len)),
            _ => None,
        }
    }

    /// The chosen bits of `cells`, which start at address `base`, ascending.
    pub(super) fn in_cells(&self, cells: &[u8], base: usize) -> Vec<Weak> {
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
                    push_weak(&mut list, base + run[0] as usize / 8, mask);
                }
            }
            Self::Window { from, len } => {
                let from = u64::from(from).min(total);
                let to = (from + u64::from(len)).min(total);
                for byte in from / 8..to.div_ceil(8) {
                    let bit = |border: u64| border.clamp(8 * byte, 8 * byte + 8) - 8 * byte;
                    let mask = (1_u16 << bit(to)) - (1 << bit(from));
                    push_weak(&mut list, base + byte as usize, mask as u8);
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
                    push_weak(&mut list, base + byte as usize, mask);
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
pub(super) fn bits_to_clear(stored: u8, weak: u8, data: u8) -> u8 {
    !data & (stored | weak)
}

impl TornProgram {
    /// Tears the program of `data` into `cells`, which start at address `base` and of which
    /// `old` are marginal. Appends the cells that are marginal afterwards to `new`.
    pub(super) fn apply(
        &self,
        cells: &mut [u8],
        base: usize,
        data: &[u8],
        old: &[Weak],
        new: &mut Vec<Weak>,
    ) {
        let total = count_bits_to_clear(cells, base, data, old);
        let mut number = 0;
        if !old.is_empty() {
            let at = At { base, byte: 0, total };
            self.apply_bytes(at, &mut number, cells, data, old, new);
            return;
        }
        // Most bytes are done or undone as a whole: eight of them at a time.
        for ((byte, cells), data) in (0..).step_by(8).zip(cells.chunks_mut(8)).zip(data.chunks(8)) {
            let at = At { base, byte, total };
            if let (Ok(eight), Ok(data)) = (<&mut [u8; 8]>::try_from(&mut *cells), data.try_into())
            {
                let clear = u64::from_le_bytes(*eight) & !u64::from_le_bytes(data);
                let run = number..number + clear.count_ones();
                let weak = self.weak.holds_run(run.clone());
                let done = self.done.holds_run(run.clone(), total);
                if let (Some(false), Some(done)) = (weak, done) {
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

    /// The same for some of the bytes, of which `number` bits to clear stand before.
    fn apply_bytes(
        &self,
        at: At,
        number: &mut u32,
        cells: &mut [u8],
        data: &[u8],
        old: &[Weak],
        new: &mut Vec<Weak>,
    ) {
        let At { base, byte, total } = at;
        let mut cursor = WeakCursor(old);
        for ((byte, cell), data) in (byte..).zip(cells.iter_mut()).zip(data) {
            let at = base + byte as usize;
            let mut weak = cursor.mask(at);
            let mut rest = bits_to_clear(*cell, weak, *data);
            let run = *number..*number + rest.count_ones();
            let picked = self.weak.holds_run(run.clone());
            if let (Some(picked), Some(done)) = (picked, self.done.holds_run(run.clone(), total)) {
                if done {
                    *cell &= !rest;
                    weak &= !rest;
                }
                if picked {
                    weak |= rest;
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
                if self.weak.holds(*number, total, *cell & mask != 0) {
                    weak |= mask;
                } else if done {
                    weak &= !mask;
                }
                *number += 1;
            }
            push_weak(new, at, weak);
        }
    }
}

/// How many bits a program has to clear.
pub(super) fn count_bits_to_clear(cells: &[u8], base: usize, data: &[u8], old: &[Weak]) -> u32 {
    if old.is_empty() {
        let (eights, rest) = cells.as_chunks::<8>();
        let (data_eights, data_rest) = data.as_chunks::<8>();
        let clear = |(cells, data): (&[u8; 8], &[u8; 8])| {
            (u64::from_le_bytes(*cells) & !u64::from_le_bytes(*data)).count_ones()
        };
        let few = rest.iter().zip(data_rest).map(|(cell, data)| (cell & !data).count_ones());
        return eights.iter().zip(data_eights).map(clear).sum::<u32>() + few.sum::<u32>();
    }
    let mut cursor = WeakCursor(old);
    (base..)
        .zip(cells.iter().zip(data))
        .map(|(at, (cell, data))| bits_to_clear(*cell, cursor.mask(at), *data).count_ones())
        .sum()
}

pub(super) fn push_weak(list: &mut Vec<Weak>, at: usize, mask: u8) {
    if mask != 0 {
        list.push(Weak { at: at as u32, mask });
    }
}

impl TornErase {
    /// Tears the erase of `cells`, which start at address `base` and of which `old` are
    /// marginal. Appends the cells that are marginal afterwards to `new`.
    pub(super) fn apply(&self, cells: &mut [u8], base: usize, old: &[Weak], new: &mut Vec<Weak>) {
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
            (mask != 0).then_some(Weak { mask, ..*entry })
        });
        let picked = self.weak.in_cells(cells, base);
        if picked.is_empty() {
            new.extend(kept);
            return;
        }
        if old.is_empty() {
            new.extend(picked);
            return;
        }
        new.reserve(picked.len() + old.len());
        // Both lists ascend; where both have an entry for a byte the second one adds to it.
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
    /// What becomes of `cells`, the bytes of the sector from number `start` on.
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

    /// The bits of a byte of the sector that are solid now, whatever they were.
    fn reached(self, byte: u32) -> u8 {
        match self {
            Self::Old => 0,
            Self::Zero | Self::Ones | Self::Mixed(_) => 0xFF,
            Self::Zeroing(coin) | Self::Rising(coin) => coin.lands_8(byte),
        }
    }
}
