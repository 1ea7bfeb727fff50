//! Flash whose reads are checked by a code: a unit that is torn or damaged cannot be read.
//!
//! Goal: an unreadable unit costs at most the record that it is part of, and the store says so;
//! torn units cost nothing that was acknowledged; the store stays writable even if the unit never
//! becomes good again. Method: every unit of the images that healthy lives leave is made
//! unreadable, one at a time, and random lives have their power cut in programs and erases.
//!
//! `OUTLAST_UNITS`: how many units of each image at least. `OUTLAST_CUTS`: how many lives with
//! cuts.

use std::iter;
use std::sync::atomic::{AtomicU64, Ordering};

use outlast_kvstore::Error;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};

use crate::count::{count, summary};
use crate::flash::{Ram, Unreadable};
use crate::history::{Healthy, PLANS, healthy};
use crate::life::{Life, Mix, Op, value};
use crate::outcome::{Answers, Known, Outcome, Score};
use crate::shape::{SHAPES, Shape, with_shapes};
use crate::trial::Trial;

const MIX: Mix = Mix { power_ups: 1, ..Mix::ALL };

/// Judges an image with one unreadable unit: at two mounts, and while the store is used on.
fn judge_unit(start: &Healthy, ram: &Ram, bad: Unreadable, seed: u64) -> Outcome {
    ram.restore(&start.image);
    ram.set_unreadable(bad);
    let unit = ram.shape.unit;
    let excepted = start.if_torn(bad.unit * unit..(bad.unit + 1) * unit);
    let excepted: Vec<_> = excepted.iter().collect();
    let known = Known { right: &[&start.now], excepted: &excepted, past: &start.past };
    let class = known.judge(ram, true);
    if class == Outcome::Told {
        // The settings have not changed, but for the one that was written.
        ram.restore(&start.image);
        ram.set_unreadable(bad);
        let lost = Answers::at_mount(ram).map_or(0, |answers| answers.lost(&start.now));
        if lost > 1 {
            return Outcome::Spread;
        }
    }
    if class > Outcome::Told {
        return class;
    }
    // Every setting is written again, so that all are known.
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut trial = Trial::new(Life::new(ram), !bad.for_ever || ram.shape.sectors > 2);
    if trial.life.power_up().is_err() {
        return Outcome::Refused;
    }
    if trial.life.write_all(&mut rng).is_err() {
        return if trial.must_be_writable { Outcome::Stuck } else { class };
    }
    for _ in 0..20 * ram.shape.capacity() / 1024 {
        if !trial.step(&Op::Put(rng.random_range(0..5), value(&mut rng, ram.shape))) {
            break;
        }
    }
    trial.power_up();
    if trial.worst > Outcome::Right { Outcome::Stuck } else { class }
}

#[test]
fn an_unreadable_unit_costs_at_most_its_record() {
    let least = count("OUTLAST_UNITS", 60) as usize;
    let mut total = Score::default();
    for for_ever in [false, true] {
        let cases = with_shapes(&PLANS);
        let score = Score::of(&cases, |(plan, shape)| {
            let start = healthy(*shape, plan, 5);
            let (ram, mut score) = (Ram::new(*shape), Score::default());
            let units = shape.capacity() / shape.unit;
            for unit in (0..units).step_by((units / least).max(1) | 1) {
                let outcome = judge_unit(&start, &ram, Unreadable { unit, for_ever }, unit as u64);
                score.note(outcome, || {
                    let at = unit * shape.unit;
                    let (sector, byte) = (at / shape.sector, at % shape.sector);
                    format!("{outcome:?}: {shape:?}, {}, sector {sector}, byte {byte}", plan.name)
                });
            }
            score
        });
        let until = if for_ever { "for ever" } else { "until its erase" };
        summary(format_args!("a unit unreadable {until}"), &score);
        total = total.plus(score);
    }
    // As for damage within a page, and a small sector may have no place left for its decisions.
    total.assert_few_worse_than(Outcome::Told, 0.02);
}

/// A life with cuts, which it counts. Each leaves a unit, or many units of a sector, that cannot be
/// read.
fn live(shape: Shape, seed: u64, cuts: &AtomicU64) -> Outcome {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let ram = Ram::new(shape);
    let mut life = Life::new(&ram);
    life.power_up().expect("a new store");
    for _ in 0..20 {
        let steps: Vec<_> =
            iter::repeat_with(|| MIX.draw(&mut rng, shape)).take(8).flatten().collect();
        ram.cut_after(rng.random_range(0..12), rng.random());
        let mut right = vec![life.now.clone()];
        for op in &steps {
            right = vec![life.now.clone()];
            let after = life.after(op);
            match life.apply(op) {
                Ok(()) | Err(Error::Full | Error::TooLarge) => {}
                Err(_) if ram.is_powered() => return Outcome::Stuck,
                Err(_) => {
                    right.push(after);
                    break;
                }
            }
            right = vec![life.now.clone()];
        }
        cuts.fetch_add(u64::from(!ram.is_powered()), Ordering::Relaxed);
        // A mount may be cut as well.
        for _ in 0..rng.random_range(0..3) {
            ram.power_up();
            ram.cut_after(rng.random_range(0..4), rng.random());
            if life.reopen().is_err() && ram.is_powered() {
                return Outcome::Refused;
            }
            cuts.fetch_add(u64::from(!ram.is_powered()), Ordering::Relaxed);
        }
        if life.power_up().is_err() {
            return Outcome::Refused;
        }
        let answers = Answers::of(life.session());
        let known: Vec<_> = right.iter().collect();
        let class = Known { right: &known, excepted: &[], past: &life.past }.class(&answers);
        if class != Outcome::Right {
            return class;
        }
        if let Some(seen) = right.iter().find(|values| answers.are(values)) {
            life.accept(seen.clone());
        }
        if life.power_up().is_err() {
            return Outcome::Refused;
        }
        if Answers::of(life.session()) != answers {
            return Outcome::Changed;
        }
    }
    Outcome::Right
}

#[test]
fn torn_units_that_cannot_be_read_cost_nothing() {
    let lives = count("OUTLAST_CUTS", 2400);
    let seeds: Vec<_> = (0..lives).collect();
    let cuts = AtomicU64::new(0);
    let score = Score::of(&seeds, |seed| {
        let shape = SHAPES[*seed as usize % SHAPES.len()];
        let outcome = live(shape, *seed, &cuts);
        let mut score = Score::default();
        score.note(outcome, || format!("{outcome:?}: {shape:?}, seed {seed}"));
        score
    });
    let cuts = cuts.into_inner();
    summary("cuts that leave unreadable units", format_args!("{score}; {cuts} cuts"));
    assert!(cuts > 5 * lives, "{cuts} cuts in {lives} lives");
    score.assert_none_worse_than(Outcome::Right);
}
