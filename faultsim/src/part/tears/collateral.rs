//! Collateral damage: an interrupted program that also damages bytes it does not work on.
//!
//! Vendors differ about it: one warns that a cut in a page program can corrupt the whole sector,
//! another promises that the rest of the sector keeps its content. Here the damage reaches either
//! the page of the program or its sector. Within that reach any bit may be cleared, set, flipped or
//! left marginal. An erase needs no such damage, since it works on all of its sector anyway.

use core::hash::Hasher;
use core::ops::Range;

use rand::Rng;
use rapidhash::RapidHashSet;
use rapidhash::quality::RapidHasher;

use super::collect::evenly_spaced;
use super::draw::{below, draw_coin, draw_pick};
use super::effect::count_bits_to_clear;
use super::tear::{BitChange, Collateral, Done, FaultClass, Kind, Pick, Reach, Tear, TornProgram};
use crate::part::cells::Image;
use crate::part::coin::{Coin, nth};
use crate::part::geometry::Geometry;
use crate::part::marginal::marginal_within;

/// A way to damage other bytes, apart from what the program itself did.
#[derive(Clone)]
struct Way {
    reach: Reach,
    changed: Pick,
    to: BitChange,
    marginal: Pick,
}

/// Adds the tears of a program that damage the rest of its page or sector, each with the program
/// done, not begun, or half done.
///
/// The kinds of damage, some of which are in every list, are these:
///
/// - all or random bits cleared, flipped or marginal;
/// - a bit cleared or set, or a byte cleared, flipped or marginal: in the first byte in use, where
///   openings are; in the last one before the program, where the check of the previous record ends;
///   and in others between them;
/// - runs of bytes before the program;
/// - a blank bit after the program cleared.
///
/// `thin` above 1 keeps about 1 in `thin` of the others.
pub(super) fn list(
    g: &Geometry,
    image: &Image,
    at: u32,
    data: &[u8],
    thin: u32,
    list: &mut Vec<(Tear, FaultClass)>,
) {
    let (from, data) = image.clip(at, data);
    let program = from..from + data.len();
    if data.is_empty() {
        return;
    }
    let seed = |index| nth(0x7061_6765 ^ (from as u64) << 32 ^ data.len() as u64, index);
    let old = &image.marginal()[marginal_within(image.marginal(), from, program.end)];
    let bits = count_bits_to_clear(&image.bytes()[program.clone()], from, data, old);
    let all = [Done::First(u32::MAX), Done::First(0), Done::First(bits / 2)];
    // If there is no bit between them, two of these are the same.
    let programs = &all[..all.len().min(bits as usize + 1)];
    let thin = u64::from(thin.max(1));
    let mut offered = seed(0) % thin;
    let sector = Reach::Sector.around(g, image, from);
    let mut seen = RapidHashSet::default();
    seen.insert(effect(g, image, &sector, &program, None));
    for reach in [Reach::Page, Reach::Sector] {
        let region = reach.around(g, image, from);
        let outside: Vec<u8> =
            region.clone().filter(|at| !program.contains(at)).map(|at| image.bytes()[at]).collect();
        let before = (program.start - region.start) as u32;
        for (index, (way, always)) in ways(reach, &outside, before, &seed).into_iter().enumerate() {
            let damage = |done| {
                let Way { reach, changed, to, marginal } = way.clone();
                let program = TornProgram { done, marginal: Pick::Nothing };
                Collateral { program, reach, changed, to, marginal }
            };
            if !seen.insert(effect(g, image, &sector, &program, Some(&damage(Done::First(0))))) {
                continue;
            }
            for (number, done) in programs.iter().enumerate() {
                offered += 1;
                if always && number == index % programs.len() || offered.is_multiple_of(thin) {
                    list.push((
                        Tear(Kind::Collateral(damage(done.clone()))),
                        FaultClass::Collateral,
                    ));
                }
            }
        }
    }
}

/// Ways to damage the bytes `outside`, `before` of which come before the program. The flag says
/// that thinning never leaves the way out.
fn ways(reach: Reach, outside: &[u8], before: u32, seed: &impl Fn(u64) -> u64) -> Vec<(Way, bool)> {
    let toss = |of_256, index| Pick::Toss(Coin { seed: seed(index), of_256 });
    let few = |count, index| Pick::Few { count, seed: seed(index) };
    let byte = |number: u32| Pick::Window { from: 8 * number, len: 8 };
    let stored = |number: u32| outside.get(number as usize).copied().unwrap_or(0);
    // The lowest bit of `ones` that is 1; bit 0 if there is none, in which case nothing changes.
    let bit_of = |number: u32, ones: u8| Pick::Window {
        from: 8 * number + ones.trailing_zeros() % 8,
        len: 1,
    };
    let used: Vec<u32> =
        (0..).zip(outside).filter(|(_, byte)| **byte != 0xFF).map(|(number, _)| number).collect();
    let in_front: Vec<u32> = used.iter().copied().filter(|&number| number < before).collect();
    let blank = (before..).zip(outside.iter().skip(before as usize));
    let blank: Vec<u32> = blank.filter(|(_, byte)| **byte == 0xFF).map(|(at, _)| at).collect();
    let mut ways = Vec::new();
    let mut add =
        |always, changed, to, marginal| ways.push((Way { reach, changed, to, marginal }, always));
    let none = || Pick::Nothing;
    add(true, Pick::All, BitChange::Zero, none());
    add(true, none(), BitChange::Zero, toss(128, 1));
    add(true, toss(26, 2), BitChange::Zero, none());
    add(true, few(3, 3), BitChange::Other, none());
    add(true, none(), BitChange::Zero, few(3, 4));
    // What is stored at a place differs from step to step, as pages fill.
    let marked = [in_front.first(), in_front.get(in_front.len() / 2), in_front.last()];
    for (number, &at) in marked.into_iter().flatten().enumerate() {
        add(true, bit_of(at, stored(at)), BitChange::Zero, none());
        add(number != 1, bit_of(at, !stored(at)), BitChange::One, none());
        add(number != 1, none(), BitChange::Zero, byte(at));
    }
    if let Some(&at) = blank.first() {
        add(true, bit_of(at, 0xFF), BitChange::Zero, none());
    }
    if let Some(&at) = blank.last() {
        add(true, none(), BitChange::Zero, byte(at));
    }
    for len in [2, 4, 12, 32] {
        let len = before.min(len);
        add(
            false,
            Pick::Window { from: 8 * (before - len), len: 8 * len },
            BitChange::Zero,
            none(),
        );
        add(
            false,
            none(),
            BitChange::Zero,
            Pick::Window { from: 8 * (before - len), len: 8 * len },
        );
    }
    add(false, none(), BitChange::Zero, Pick::All);
    add(false, Pick::All, BitChange::Other, none());
    add(false, toss(128, 5), BitChange::Other, none());
    add(false, toss(128, 6), BitChange::Zero, none());
    add(false, few(1, 7), BitChange::Other, few(1, 8));
    for index in evenly_spaced(used.len() as u32, 12) {
        let at = used[index as usize];
        add(false, bit_of(at, stored(at)), BitChange::Zero, none());
        add(false, bit_of(at, !stored(at)), BitChange::One, none());
        add(false, byte(at), BitChange::Zero, none());
        add(false, byte(at), BitChange::Other, none());
        add(false, none(), BitChange::Zero, byte(at));
    }
    ways
}

/// A hash of what a sector holds outside the program after the damage.
fn effect(
    g: &Geometry,
    image: &Image,
    sector: &Range<usize>,
    program: &Range<usize>,
    damage: Option<&Collateral>,
) -> u64 {
    let mut cells = image.bytes()[sector.clone()].to_vec();
    let old = &image.marginal()[marginal_within(image.marginal(), sector.start, sector.end)];
    let mut new = old.to_vec();
    if let Some(damage) = damage {
        let region = damage.reach.around(g, image, program.start);
        let touched = marginal_within(old, region.start, region.end);
        let mut damaged_now = Vec::new();
        let inside = &mut cells[region.start - sector.start..region.end - sector.start];
        damage.apply(inside, region.start, program, &old[touched.clone()], &mut damaged_now);
        new.splice(touched, damaged_now);
    }
    let mut hasher = RapidHasher::new(1);
    hasher.write(&cells);
    for entry in &new {
        hasher.write_u64(u64::from(entry.at) << 8 | u64::from(entry.mask));
    }
    hasher.finish()
}

/// Adds damage to about 1 in 4 torn programs.
pub(super) fn draw(
    g: &Geometry,
    image: &Image,
    at: u32,
    data: &[u8],
    torn: Tear,
    rng: &mut impl Rng,
) -> Tear {
    let (from, data) = image.clip(at, data);
    let reach = if below(rng, 3) == 0 { Reach::Sector } else { Reach::Page };
    let outside = reach.around(g, image, from).len().saturating_sub(data.len());
    let Kind::Program(program) = torn.0 else { return torn };
    if outside == 0 || below(rng, 4) != 0 {
        return Tear(Kind::Program(program));
    }
    let total = 8 * outside as u32;
    let to = match below(rng, 4) {
        0 => BitChange::One,
        1 => BitChange::Other,
        _ => BitChange::Zero,
    };
    let (mut changed, marginal) = (draw_pick(total, rng), draw_pick(total, rng));
    if (&changed, &marginal) == (&Pick::Nothing, &Pick::Nothing) {
        changed = match below(rng, 2) {
            0 => Pick::Few { count: 1 + below(rng, 3), seed: u64::from(rng.next_u32()) },
            _ => Pick::Toss(draw_coin(rng)),
        };
    }
    Tear(Kind::Collateral(Collateral { program, reach, changed, to, marginal }))
}
