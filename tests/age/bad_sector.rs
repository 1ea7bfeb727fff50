//! Sectors that take no programs or erases any more, and operations that have no effect.
//!
//! Goal: one bad sector costs its capacity and nothing else. With three or more sectors all
//! settings stay readable and the store stays writable, with two they stay readable, and so they do
//! where nothing can be written. Method: lives in which any one sector fails, or does nothing
//! without an error, from the start or from a random moment; lives in which one operation is
//! dropped; and healthy images on a flash that is write-protected.
//!
//! `OUTLAST_SECTORS`: how many lives for each sector and kind of failure.

use std::iter;
use std::sync::atomic::{AtomicU64, Ordering};

use outlast_kvstore::Error;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};

use crate::count::{count, summary};
use crate::flash::{BadSectors, Ram, Response};
use crate::history::{PLANS, healthy};
use crate::life::{Life, Mix, Op, value};
use crate::outcome::{Answers, Known, Outcome, Score};
use crate::shape::{SHAPES, Shape, with_shapes};
use crate::trial::Trial;

const MIX: Mix =
    Mix { puts: 12, deletes: 1, commits: 2, counts: 3, tidies: 1, power_ups: 1, long: false };

/// What the bad sector does with programs and erases.
const KINDS: [(Response, Response); 6] = [
    (Response::Fails, Response::Fails),
    (Response::Ignores, Response::Ignores),
    (Response::Works, Response::Fails),
    (Response::Fails, Response::Works),
    (Response::Works, Response::Ignores),
    (Response::Ignores, Response::Works),
];

/// A life long enough to come to each sector several times.
fn steps(shape: Shape, rng: &mut ChaCha8Rng) -> Vec<Op> {
    let count = 30 * shape.sectors * shape.sector / 512;
    iter::repeat_with(|| MIX.draw(rng, shape)).take(count).flatten().collect()
}

/// Lives through the steps. The sector turns bad before step `onset`.
fn live(ram: &Ram, bad: &BadSectors, onset: usize, steps: &[Op]) -> (Outcome, u64) {
    let writable = ram.shape.sectors > 2;
    let mut trial = Trial::new(Life::new(ram), writable);
    if onset == 0 {
        ram.set_bad_sectors(bad.clone());
    }
    if !trial.power_up() {
        return (trial.worst, 0);
    }
    for (n, op) in steps.iter().enumerate() {
        if n + 1 == onset {
            ram.set_bad_sectors(bad.clone());
        }
        if !trial.step(op) {
            return (trial.worst, trial.repeated);
        }
    }
    trial.power_up();
    (trial.worst, trial.repeated)
}

fn one_bad_sector(name: &str, shapes: impl Fn(Shape) -> bool, from_start: bool) -> Score {
    let lives = count("OUTLAST_SECTORS", 2);
    let sectors = SHAPES.into_iter().filter(|shape| shapes(*shape));
    let sectors = sectors.flat_map(|shape| (0..shape.sectors).map(move |sector| (shape, sector)));
    let cases: Vec<_> = sectors.flat_map(|case| (0..lives).map(move |n| (case, n))).collect();
    let mut total = Score::default();
    for (programs, erases) in KINDS {
        let repeated = AtomicU64::new(0);
        let score = Score::of(&cases, |((shape, sector), n)| {
            let mut rng = ChaCha8Rng::seed_from_u64(*n);
            let steps = steps(*shape, &mut rng);
            // The first life has a sector that is bad from the start.
            let earliest = if *n == 0 && from_start { 0 } else { 1 };
            let latest = if earliest == 0 { 1 } else { steps.len() };
            let onset = rng.random_range(earliest..latest);
            let bad = BadSectors { sectors: *sector..sector + 1, programs, erases };
            let (outcome, again) = live(&Ram::new(*shape), &bad, onset, &steps);
            repeated.fetch_add(again, Ordering::Relaxed);
            let mut score = Score::default();
            score.note(outcome, || {
                format!(
                    "{outcome:?}: {shape:?}, sector {sector}, {bad:?} from step {onset}, seed {n}"
                )
            });
            score
        });
        let repeated = repeated.into_inner();
        let kind = format!("{name}: programs {programs:?}, erases {erases:?}");
        summary(kind, format_args!("{score}; {repeated} changes failed at first"));
        total = total.plus(score);
    }
    summary(name, &total);
    total
}

/// What is stored here always leaves room for one sector less. A sector that was erased in advance
/// and takes no programs when its turn comes cannot be passed over by a head that is full: then the
/// store can only be read.
#[test]
fn one_bad_sector_of_three_or_more_costs_only_its_capacity() {
    let score = one_bad_sector("one bad sector", |shape| shape.sectors > 2, true);
    score.assert_right_or(Outcome::Stuck);
    score.assert_few_worse_than(Outcome::Right, 0.04);
}

/// Without this the other tests could not tell a bad sector from a mistake of their own.
#[test]
fn sectors_that_work_are_right() {
    let lives = count("OUTLAST_SECTORS", 2);
    let score = Score::of(&with_shapes(0..lives), |(seed, shape)| {
        let steps = steps(*shape, &mut ChaCha8Rng::seed_from_u64(*seed));
        let works = Response::Works;
        let bad = BadSectors { sectors: 0..shape.sectors, programs: works, erases: works };
        let (outcome, repeated) = live(&Ram::new(*shape), &bad, 0, &steps);
        assert_eq!(repeated, 0, "{shape:?}, seed {seed}");
        let mut score = Score::default();
        score.note(outcome, || format!("{outcome:?}: {shape:?}, seed {seed}"));
        score
    });
    summary("no bad sector", &score);
    score.assert_none_worse_than(Outcome::Right);
}

/// A store cannot be made with one sector, so the sector turns bad later.
#[test]
fn with_one_bad_sector_of_two_all_settings_are_readable() {
    let score = one_bad_sector("one bad sector of two", |shape| shape.sectors == 2, false);
    score.assert_none_worse_than(Outcome::Right);
}

#[test]
fn an_operation_without_effect_loses_nothing() {
    let lives = count("OUTLAST_SECTORS", 2) * 60;
    let score = Score::of(&with_shapes(0..lives), |(n, shape)| {
        let mut rng = ChaCha8Rng::seed_from_u64(1000 + n);
        let steps = steps(*shape, &mut rng);
        let ram = Ram::new(*shape);
        // Twice as many changes as a short life makes: some drops come in late turns.
        ram.drop_after(n * 2);
        let mut trial = Trial::new(Life::new(&ram), true);
        let lived = trial.power_up() && steps.iter().all(|op| trial.step(op)) && trial.power_up();
        let mut score = Score::default();
        let outcome = trial.worst;
        assert_eq!(lived, outcome == Outcome::Right);
        score.note(outcome, || format!("{outcome:?}: {shape:?}, operation {}, seed {n}", n * 2));
        score
    });
    summary("one operation without effect", &score);
    score.assert_none_worse_than(Outcome::Right);
}

/// Everything is readable, before a change was tried and after it failed.
#[test]
fn a_write_protected_flash_is_readable() {
    let cases = with_shapes(&PLANS);
    let score = Score::of(&cases, |(plan, shape)| {
        let start = healthy(*shape, plan, 3);
        let ram = Ram::new(*shape);
        let mut life = start.resume(&ram);
        let programs = Response::Fails;
        let sectors = 0..shape.sectors;
        ram.set_bad_sectors(BadSectors { sectors, programs, erases: Response::Fails });
        let mut score = Score::default();
        let mut judge = || {
            if life.power_up().is_err() {
                return Outcome::Refused;
            }
            let known = Known { right: &[&start.now], excepted: &[], past: &start.past };
            let fresh = known.class(&Answers::of(life.session()));
            let new = value(&mut ChaCha8Rng::seed_from_u64(0), *shape);
            let put = life.apply(&Op::Put(0, new));
            assert!(!matches!(put, Ok(()) | Err(Error::Full)), "{shape:?}: {put:?}");
            fresh.max(known.class(&Answers::of(life.session())))
        };
        let outcome = judge();
        score.note(outcome, || format!("{outcome:?}: {shape:?}, {}", plan.name));
        score
    });
    summary("write-protected", &score);
    score.assert_none_worse_than(Outcome::Right);
}
