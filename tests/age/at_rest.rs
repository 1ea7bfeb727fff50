//! Bits that changed while the flash was at rest.
//!
//! Goal: no single wrong bit, wherever it is, loses a setting, makes it older, or keeps the store
//! from opening or from taking changes; more damage within a page costs no more than what the store
//! reports; and what one mount says the next one says too. Method: every bit of the images that
//! healthy lives leave is flipped, one at a time, and bytes and pages of them are overwritten.
//!
//! By default large images have only a share of their bits flipped. `OUTLAST_FLIPS`: how many bits
//! of each image at least, e.g. 1000000 for all of them.

use std::ops::Range;

use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};

use crate::count::{count, summary};
use crate::flash::Ram;
use crate::history::{Healthy, PLANS, healthy};
use crate::outcome::{Known, Outcome, Score};
use crate::shape::{SHAPES, with_shapes};

/// One image after another would leave one core idle at the end.
const PIECES: usize = 8;

fn flip_bits(healthy: &Healthy, name: &str, piece: usize, least: usize) -> Score {
    let shape = healthy.image.shape;
    let bits = shape.capacity() * 8;
    // Odd, so that it meets every place in a byte.
    let step = (bits / least).max(1) | 1;
    let (ram, mut score) = (Ram::new(shape), Score::default());
    for bit in (0..bits).step_by(step).skip(piece).step_by(PIECES) {
        ram.restore(&healthy.image);
        ram.flip(bit);
        let before = [&healthy.before];
        let excepted = if healthy.is_in_unproven_count(bit) { &before[..] } else { &[] };
        let known = Known { right: &[&healthy.now], excepted, past: &healthy.past };
        let outcome = known.judge(&ram, (bit / step).is_multiple_of(16));
        score.note(outcome, || {
            let (sector, byte) = (bit / 8 / shape.sector, bit / 8 % shape.sector);
            format!("{outcome:?}: {shape:?}, {name}, sector {sector}, byte {byte}, bit {}", bit % 8)
        });
    }
    score
}

#[test]
fn no_wrong_bit_at_rest_loses_a_setting() {
    let least = count("OUTLAST_FLIPS", 6000) as usize;
    let mut total = Score::default();
    for plan in &PLANS {
        let lives: Vec<_> = SHAPES.iter().map(|shape| healthy(*shape, plan, 1)).collect();
        let pieces = |life| (0..PIECES).map(move |piece| (life, piece));
        let cases: Vec<_> = lives.iter().flat_map(pieces).collect();
        let score = Score::of(&cases, |(life, piece)| flip_bits(life, plan.name, *piece, least));
        summary(format_args!("one wrong bit at rest: {}", plan.name), &score);
        total = total.plus(score);
    }
    summary("one wrong bit at rest", &total);
    total.assert_none_worse_than(Outcome::Excepted);
}

/// What a damaged place reads.
#[derive(Clone, Copy, Debug)]
enum Damage {
    Zeros,
    Ones,
    Noise,
}

/// Judges an image in which these bytes are damaged.
fn damage(healthy: &Healthy, ram: &Ram, range: Range<usize>, damage: Damage) -> Outcome {
    let mut rng = ChaCha8Rng::seed_from_u64(range.start as u64);
    ram.restore(&healthy.image);
    for byte in range.clone() {
        ram.set(
            byte,
            match damage {
                Damage::Zeros => 0,
                Damage::Ones => 0xFF,
                Damage::Noise => rng.random(),
            },
        );
    }
    let excepted = healthy.if_torn(range);
    let excepted: Vec<_> = excepted.iter().collect();
    let known = Known { right: &[&healthy.now], excepted: &excepted, past: &healthy.past };
    known.judge(ram, true)
}

/// More than one wrong bit, but within a page: single bytes, and whole pages.
#[test]
fn damage_within_a_page_is_reported() {
    let least = count("OUTLAST_FLIPS", 6000) as usize / 60;
    let mut total = Score::default();
    for (name, whole_page) in [("one damaged byte", false), ("one damaged page", true)] {
        let cases = with_shapes(&PLANS);
        let score = Score::of(&cases, |(plan, shape)| {
            let healthy = healthy(*shape, plan, 6);
            let (ram, mut score) = (Ram::new(*shape), Score::default());
            let size = if whole_page { shape.page } else { 1 };
            let places = shape.capacity() / size;
            for place in (0..places).step_by((places / least).max(1) | 1) {
                let range = place * size..(place + 1) * size;
                for kind in [Damage::Zeros, Damage::Ones, Damage::Noise] {
                    let outcome = damage(&healthy, &ram, range.clone(), kind);
                    score.note(outcome, || {
                        let (sector, byte) =
                            (range.start / shape.sector, range.start % shape.sector);
                        let plan = plan.name;
                        format!(
                            "{outcome:?}: {shape:?}, {plan}, sector {sector}, byte {byte}, {kind:?}"
                        )
                    });
                }
            }
            score
        });
        summary(name, &score);
        total = total.plus(score);
    }
    // Damage that reaches to the last record makes it look like one that was never finished, and
    // doubt ends when a compaction moves the record.
    total.assert_few_worse_than(Outcome::Told, 0.012);
}

/// Without this the tests above could not tell a healthy store from a damaged one.
#[test]
fn a_healthy_image_is_right() {
    let mut score = Score::default();
    for (plan, shape) in with_shapes(&PLANS) {
        let life = healthy(shape, plan, 1);
        let known = Known { right: &[&life.now], excepted: &[], past: &life.past };
        let outcome = known.judge(&Ram::of(&life.image), true);
        score.note(outcome, || format!("{outcome:?}: {shape:?}, {}", plan.name));
    }
    summary("no fault at all", &score);
    score.assert_none_worse_than(Outcome::Right);
}
