//! Tears of an interrupted page program: in unit order, any subset of the bits, with marginal bits,
//! and aimed at the checks of a record.

use rand::Rng;

use super::collect::{Collect, Work, evenly_spaced};
use super::draw::{below, draw_coin, draw_pick};
use super::effect::bits_to_clear;
use super::tear::{Done, FaultClass, Pick, Tear, TornProgram};
use crate::part::coin::Coin;
use crate::part::geometry::Level;
use crate::part::marginal::MarginalCursor;

const ALL: Done = Done::First(u32::MAX);

const NONE: Done = Done::First(0);

/// With up to this many bits to clear, every subset is tried.
const EXHAUSTIVE_BITS: u32 = 6;

fn torn(done: Done) -> TornProgram {
    TornProgram { done, marginal: Pick::Nothing }
}

/// Where the bits to clear are.
struct Bits {
    /// For each byte of the step, the number of bits to clear before it; one more entry for the
    /// end.
    before: Vec<u32>,
    /// The bytes of the step after which a unit ends, ascending. The last one is the whole step.
    unit_ends: Vec<u32>,
}

impl Bits {
    fn of(work: &Work<'_>, data: &[u8]) -> Self {
        let mut cursor = MarginalCursor(work.marginal);
        let mut before = vec![0];
        let mut total = 0;
        for (at, (cell, byte)) in (work.base..).zip(work.cells.iter().zip(data)) {
            total += bits_to_clear(*cell, cursor.mask(at), *byte).count_ones();
            before.push(total);
        }
        let unit = work.geometry.unit_size() as usize;
        let unit_ends = (1..=data.len())
            .filter(|byte| (work.base + byte).is_multiple_of(unit) || *byte == data.len())
            .map(|byte| byte as u32)
            .collect();
        Self { before, unit_ends }
    }

    fn total(&self) -> u32 {
        self.before.last().copied().unwrap_or(0)
    }

    fn bytes(&self) -> u32 {
        self.before.len() as u32 - 1
    }

    /// Number of bits to clear before a byte of the step.
    fn at(&self, byte: u32) -> u32 {
        self.before.get(byte as usize).copied().unwrap_or_else(|| self.total())
    }

    /// The first bit and the number of bits in bytes `from..to` of the step.
    fn window(&self, from: u32, to: u32) -> (u32, u32) {
        (self.at(from), self.at(to).saturating_sub(self.at(from)))
    }
}

pub(super) fn list(work: &Work<'_>, data: &[u8], collect: &mut Collect<'_>) {
    let bits = Bits::of(work, data);
    if bits.total() == 0 {
        return;
    }
    collect.class(FaultClass::ProgramOrder);
    collect.row(0..bits.unit_ends.len() as u32, |index| {
        torn(Done::First(bits.at(bits.unit_ends[index as usize])))
    });
    if work.level >= Level::F2 {
        collect.class(FaultClass::ProgramSubset);
        subsets(work, bits.total(), collect);
    }
    if work.level >= Level::F3 {
        collect.class(FaultClass::MarginalProgram);
        marginal(work, bits.total(), collect);
    }
    if work.level >= Level::F4 {
        collect.class(FaultClass::Adversarial);
        adversarial(&bits, work, data, collect);
    }
}

/// Any subset may be done: linear families, alternating patterns, random subsets.
fn subsets(work: &Work<'_>, total: u32, collect: &mut Collect<'_>) {
    collect.row(1..total, |count| torn(Done::First(count)));
    collect.row(1..total, |count| torn(Done::Last(count)));
    collect.row(0..total, |from| torn(Done::AllBut { from, len: 1 }));
    collect.row(0..total, |from| torn(Done::Only { from, len: 1 }));
    for odd in [false, true] {
        collect.always(torn(Done::EveryOther { odd }));
        collect.always(torn(Done::EveryOtherByte { odd }));
    }
    if total <= EXHAUSTIVE_BITS {
        for mask in 0..1 << total {
            collect.always(torn(Done::Mask(mask)));
        }
        return;
    }
    for (of_256, seed) in [26, 90, 166, 230].into_iter().cycle().zip(100..116) {
        collect.always(torn(Done::Toss(Coin { seed: work.seed(seed), of_256 })));
    }
    for (whole, seed) in evenly_spaced(total, 8).zip(200..) {
        let coin = Coin { seed: work.seed(seed), of_256: 128 };
        collect.often(torn(Done::Front { whole, mixed: 8, coin }));
    }
}

/// Some bits are left half-way.
fn marginal(work: &Work<'_>, total: u32, collect: &mut Collect<'_>) {
    let half = Coin { seed: work.seed(300), of_256: 128 };
    let other = Coin { seed: work.seed(301), of_256: 128 };
    // The program looks undone or looks complete, in each case with all or some of its bits
    // marginal.
    for done in [NONE, ALL] {
        for marginal in [
            Pick::All,
            Pick::Toss(half),
            Pick::Few { count: 1, seed: work.seed(302) },
            Pick::Few { count: 3, seed: work.seed(303) },
            Pick::Window { from: 0, len: total / 2 },
            Pick::Window { from: total / 2, len: total - total / 2 },
        ] {
            collect.always(TornProgram { done: done.clone(), marginal });
        }
    }
    for len in [1, 8, 32] {
        let marginal = Pick::Window { from: total.saturating_sub(len), len };
        collect.always(TornProgram { done: ALL, marginal });
    }
    collect.always(TornProgram { done: ALL, marginal: Pick::Window { from: 0, len: 8 } });
    // Half done in order, or half done at random. The done part is marginal, or the rest, or both.
    for done in [Done::First(total / 2), Done::Last(total / 2), Done::Toss(half)] {
        for marginal in [Pick::Zeros, Pick::Ones, Pick::All, Pick::Toss(other)] {
            collect.always(TornProgram { done: done.clone(), marginal });
        }
    }
    // A front of half-way bits moves through the program.
    for whole in evenly_spaced(total, 6) {
        let marginal = Pick::Window { from: whole, len: 8 };
        collect.often(TornProgram { done: Done::First(whole), marginal });
    }
    // A single bit is marginal.
    for from in evenly_spaced(total, 8) {
        let marginal = Pick::Window { from, len: 1 };
        collect.often(TornProgram { done: ALL, marginal: marginal.clone() });
        collect.often(TornProgram { done: NONE, marginal });
    }
}

/// Picks that aim at the checks of a record: at its first and last bytes, and at single units.
fn adversarial(bits: &Bits, work: &Work<'_>, data: &[u8], collect: &mut Collect<'_>) {
    let end = bits.bytes();
    let tail = |len: u32| bits.window(end.saturating_sub(len), end);
    let windows = [
        tail(1),
        tail(2),
        tail(4),
        tail(8),
        bits.window(0, 1),
        bits.window(0, 2),
        bits.window(0, 4),
        bits.window(0, 5),
        bits.window(0, 8),
    ];
    for (from, len) in windows {
        if len == 0 {
            continue;
        }
        collect.always(torn(Done::AllBut { from, len }));
        collect.always(torn(Done::Only { from, len }));
        collect.always(TornProgram { done: ALL, marginal: Pick::Window { from, len } });
        // Left out, and so nearly done that it may read as done.
        let (done, marginal) = (Done::AllBut { from, len }, Pick::Window { from, len });
        collect.always(TornProgram { done, marginal });
    }
    // The highest bit of each of the last bytes.
    for byte in end.saturating_sub(4)..end {
        let (from, len) = bits.window(byte, byte + 1);
        if len > 0 {
            collect.always(torn(Done::AllBut { from: from + len - 1, len: 1 }));
        }
    }
    // A few marginal bits where the check or the header is.
    for (from, len) in [bits.window(0, 5), tail(8)] {
        for offset in evenly_spaced(len, 6) {
            let marginal = Pick::Window { from: from + offset, len: 1 };
            collect.often(TornProgram { done: ALL, marginal });
        }
    }
    // One unit is missing.
    let units: Vec<u32> = evenly_spaced(bits.unit_ends.len() as u32, 16).collect();
    for index in units {
        let start = index.checked_sub(1).map_or(0, |before| bits.unit_ends[before as usize]);
        let (from, len) = bits.window(start, bits.unit_ends[index as usize]);
        collect.often(torn(Done::AllBut { from, len }));
    }
    // Every value that the tear can give one of the last bytes, if there are few of them.
    for byte in end.saturating_sub(3)..end {
        let index = byte as usize;
        let mut cursor = MarginalCursor(work.marginal);
        let marginal = cursor.mask(work.base + index);
        let clear = bits_to_clear(work.cells[index], marginal, data[index]);
        if clear.count_ones() <= 4 {
            for undone in (0..=clear).filter(|undone| undone & !clear == 0) {
                collect.often(torn(Done::AllButInByte { byte, undone }));
            }
        }
    }
}

pub(super) fn draw(work: &Work<'_>, data: &[u8], rng: &mut impl Rng) -> Tear {
    let bits = Bits::of(work, data);
    let total = bits.total();
    if total == 0 {
        return Tear::EVERYTHING;
    }
    if work.level == Level::F1 {
        let index = below(rng, bits.unit_ends.len() as u32) as usize;
        return torn(Done::First(bits.at(bits.unit_ends[index]))).into();
    }
    let marginal = if work.level >= Level::F3 { draw_pick(total, rng) } else { Pick::Nothing };
    // With marginal bits, the outcomes that look intact are the most dangerous ones.
    let sound = marginal != Pick::Nothing && below(rng, 8) < 3;
    let done = if sound {
        if below(rng, 2) == 0 { NONE } else { ALL }
    } else if work.level >= Level::F4 && below(rng, 4) == 0 {
        draw_aimed(&bits, rng)
    } else {
        draw_done(total, rng)
    };
    TornProgram { done, marginal }.into()
}

fn draw_done(total: u32, rng: &mut impl Rng) -> Done {
    let from = below(rng, total);
    match below(rng, 12) {
        0 => Done::First(from),
        1 => Done::Last(from),
        2 | 3 => Done::AllBut { from, len: 1 },
        4 => Done::AllBut { from, len: 1 + below(rng, 24) },
        5 => Done::Only { from, len: 1 },
        6 => Done::Only { from, len: 1 + below(rng, total) },
        7 => Done::Front { whole: from, mixed: 1 + below(rng, 24), coin: draw_coin(rng) },
        8 => Done::EveryOther { odd: below(rng, 2) == 0 },
        _ => Done::Toss(draw_coin(rng)),
    }
}

/// Leaves out something in the first or the last bytes, where headers and checks are.
fn draw_aimed(bits: &Bits, rng: &mut impl Rng) -> Done {
    let near = below(rng, 8.min(bits.bytes()));
    let byte = if below(rng, 3) == 0 { near } else { bits.bytes() - 1 - near };
    if below(rng, 2) == 0 {
        return Done::AllButInByte { byte, undone: rng.next_u32() as u8 };
    }
    let (from, len) = bits.window(byte, byte + 1 + below(rng, 4));
    Done::AllBut { from, len }
}
