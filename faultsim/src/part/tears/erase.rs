//! Tears of an interrupted sector erase.
//!
//! An erase first programs the sector to zero and then sets all bits by several pulses; some kinds
//! of cell rise at once, without being zeroed first. Inner blocks may be in different phases. So
//! the list has every split of the sector into two of {old, zero, blank} at the places where
//! content begins and ends, and the random middle of each phase for the sector as a whole.

use rand::Rng;

use super::collect::{Collect, Work, evenly_spaced};
use super::draw::{below, draw_coin, draw_pick};
use super::tear::{FaultClass, Fill, Pick, TornErase};
use crate::part::coin::Coin;
use crate::part::geometry::Level;

fn whole(fill: Fill, marginal: Pick) -> TornErase {
    TornErase { from: 0, to: 0, inside: fill, outside: fill, marginal }
}

fn split(at: u32, first: Fill, rest: Fill) -> TornErase {
    window(0, at, first, rest)
}

fn window(from: u32, to: u32, inside: Fill, outside: Fill) -> TornErase {
    TornErase { from, to, inside, outside, marginal: Pick::Nothing }
}

/// Densities of the random phases: 1/64 to 63/64.
const DENSITIES: [u16; 7] = [4, 26, 64, 128, 192, 230, 252];

pub(super) fn list(work: &Work<'_>, collect: &mut Collect<'_>) {
    let unit = work.geometry.unit_size();
    let units = (work.cells.len() as u32).div_ceil(unit);
    collect.class(FaultClass::EraseOrder);
    for index in evenly_spaced(units, 17) {
        collect.always(split(index * unit, Fill::Ones, Fill::Old));
    }
    if work.level >= Level::F2 {
        collect.class(FaultClass::ErasePhase);
        phases(work, collect);
    }
    if work.level >= Level::F3 {
        marginal(work, collect);
    }
    if work.level >= Level::F4 {
        collect.class(FaultClass::Adversarial);
        survivors(work, collect);
    }
}

fn phases(work: &Work<'_>, collect: &mut Collect<'_>) {
    collect.always(whole(Fill::Zero, Pick::Nothing));
    for (of_256, seed) in DENSITIES.into_iter().zip(0..) {
        let coin = |kind: u64| Coin { seed: work.seed(100 * kind + seed), of_256 };
        collect.always(whole(Fill::Zeroing(coin(1)), Pick::Nothing));
        collect.always(whole(Fill::Mixed(coin(2)), Pick::Nothing));
        collect.always(whole(Fill::Rising(coin(3)), Pick::Nothing));
    }
    let edges = edges(work);
    // Zeroing that stopped within the sector damages a header in the most deceptive way: it can
    // complete one that was never written.
    for at in &edges {
        collect.always(split(*at, Fill::Zero, Fill::Old));
    }
    for (first, rest) in [
        (Fill::Old, Fill::Zero),
        (Fill::Ones, Fill::Old),
        (Fill::Old, Fill::Ones),
        (Fill::Zero, Fill::Ones),
        (Fill::Ones, Fill::Zero),
    ] {
        collect.row(0..edges.len() as u32, |index| split(edges[index as usize], first, rest));
    }
    // A field of zeros in an otherwise blank sector: in some kinds of cell the zeros of the first
    // phase rise last.
    for pair in edges.windows(2) {
        collect.often(window(pair[0], pair[1], Fill::Zero, Fill::Ones));
    }
    // One half is in a random phase; the other has not begun or is done.
    let half = work.cells.len() as u32 / 2;
    let mixed = Fill::Mixed(Coin { seed: work.seed(400), of_256: 128 });
    let zeroing = Fill::Zeroing(Coin { seed: work.seed(401), of_256: 128 });
    for (first, rest) in
        [(mixed, Fill::Ones), (Fill::Ones, mixed), (Fill::Zero, zeroing), (zeroing, Fill::Old)]
    {
        collect.always(split(half, first, rest));
    }
}

/// Cells left half-way: the sector looks blank, intact or zero, and is not.
fn marginal(work: &Work<'_>, collect: &mut Collect<'_>) {
    let bits = (8 * work.cells.len()) as u32;
    let toss = Pick::Toss(Coin { seed: work.seed(500), of_256: 128 });
    let rare = Pick::Toss(Coin { seed: work.seed(501), of_256: 4 });
    let head = Pick::Window { from: 0, len: 256.min(bits) };
    let tail = Pick::Window { from: bits.saturating_sub(256), len: 256 };
    let few = |count| Pick::Few { count, seed: work.seed(510 + u64::from(count)) };
    collect.class(FaultClass::WeakErase);
    for marginal in [few(1), few(8), Pick::All, toss.clone(), rare.clone(), head.clone(), tail] {
        collect.always(whole(Fill::Ones, marginal));
    }
    for marginal in [Pick::Zeros, Pick::Ones, Pick::All, few(1), few(8), toss.clone(), head.clone()]
    {
        collect.always(whole(Fill::Old, marginal));
    }
    for marginal in [Pick::All, few(8), toss, head] {
        collect.always(whole(Fill::Zero, marginal));
    }
    for (of_256, seed) in [(26, 520), (128, 521), (230, 522)] {
        let coin = Coin { seed: work.seed(seed), of_256 };
        collect.always(whole(Fill::Mixed(coin), Pick::All));
        collect.always(whole(Fill::Zeroing(coin), Pick::Zeros));
        collect.always(whole(Fill::Rising(coin), Pick::Ones));
    }
    // The erase is partly done, and the done part is marginal.
    let half = work.cells.len() as u32 / 2;
    for (first, rest) in [(Fill::Ones, Fill::Old), (Fill::Old, Fill::Ones), (Fill::Zero, Fill::Old)]
    {
        collect.always(TornErase { marginal: Pick::Ones, ..split(half, first, rest) });
        collect.always(TornErase { marginal: rare.clone(), ..split(half, first, rest) });
    }
}

/// A stretch of the old content survives in an otherwise finished sector, or is the only one that
/// is gone.
fn survivors(work: &Work<'_>, collect: &mut Collect<'_>) {
    let edges = edges(work);
    let pairs = edges.len().saturating_sub(1) as u32;
    for (inside, outside) in [
        (Fill::Old, Fill::Ones),
        (Fill::Old, Fill::Zero),
        (Fill::Zero, Fill::Old),
        (Fill::Ones, Fill::Old),
    ] {
        collect.row(0..pairs, |index| {
            window(edges[index as usize], edges[index as usize + 1], inside, outside)
        });
    }
    collect.class(FaultClass::WeakErase);
    // The sector is blank but for a few marginal bits where headers are expected.
    for at in evenly_spaced(pairs, 8) {
        let marginal = Pick::Window { from: 8 * edges[at as usize], len: 3 };
        collect.often(whole(Fill::Ones, marginal));
    }
}

/// Places in the sector where a split may matter, in bytes and ascending: the first bytes, where
/// headers are; page ends; starts and ends of blank stretches; the last unit.
fn edges(work: &Work<'_>) -> Vec<u32> {
    const HEAD: [u32; 14] = [1, 2, 4, 8, 12, 16, 20, 24, 28, 32, 36, 40, 48, 64];
    let len = work.cells.len() as u32;
    let unit = work.geometry.unit_size();
    let page = work.geometry.page_size();
    let mut edges: Vec<u32> = HEAD.to_vec();
    edges.extend(evenly_spaced(len.div_ceil(page), 16).map(|index| index * page));
    let changes = content_changes(work.cells);
    edges.extend(evenly_spaced(changes.len() as u32, 16).map(|index| changes[index as usize]));
    edges.push(len / 2);
    edges.push(len.saturating_sub(unit));
    for edge in &mut edges {
        *edge = edge.div_ceil(unit) * unit;
    }
    edges.retain(|edge| (1..len).contains(edge));
    edges.sort_unstable();
    edges.dedup();
    edges
}

/// The bytes at which a blank stretch of at least four bytes begins or ends.
fn content_changes(cells: &[u8]) -> Vec<u32> {
    let mut changes = Vec::new();
    let mut at = 0;
    for stretch in cells.chunk_by(|left, right| (*left == 0xFF) == (*right == 0xFF)) {
        let end = at + stretch.len() as u32;
        if stretch[0] == 0xFF && stretch.len() >= 4 {
            changes.extend([at, end]);
        }
        at = end;
    }
    changes
}

pub(super) fn draw(work: &Work<'_>, rng: &mut impl Rng) -> TornErase {
    let len = work.cells.len() as u32;
    if work.level == Level::F1 {
        let unit = work.geometry.unit_size();
        let at = below(rng, len.div_ceil(unit)) * unit;
        return split(at, Fill::Ones, Fill::Old);
    }
    let edges = edges(work);
    let place = |rng: &mut _| match below(rng, 4) {
        0 => below(rng, len),
        _ => edges.get(below(rng, edges.len() as u32) as usize).copied().unwrap_or(0),
    };
    let (mut from, mut to) = (0, 0);
    match below(rng, 8) {
        0..=2 => {}
        3..=5 => to = place(rng),
        _ => {
            let (one, other) = (place(rng), place(rng));
            (from, to) = (one.min(other), one.max(other));
        }
    }
    let (inside, outside) = (draw_fill(rng), draw_fill(rng));
    let marginal = if work.level >= Level::F3 { draw_pick(8 * len, rng) } else { Pick::Nothing };
    TornErase { from, to, inside, outside, marginal }
}

fn draw_fill(rng: &mut impl Rng) -> Fill {
    match below(rng, 8) {
        0 | 1 => Fill::Old,
        2 => Fill::Zero,
        3 | 4 => Fill::Ones,
        5 => Fill::Zeroing(draw_coin(rng)),
        6 => Fill::Mixed(draw_coin(rng)),
        _ => Fill::Rising(draw_coin(rng)),
    }
}
