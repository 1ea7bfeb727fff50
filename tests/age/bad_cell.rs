//! One cell of the flash that no longer does what it should.
//!
//! Goal: a put that says `Ok` can be read, right then and after a power-up; the store opens and
//! stays writable. Method: random lives with one bad cell at a random place, from the start or from
//! a random moment, with power-ups in between.
//!
//! `OUTLAST_CELLS`: how many lives, e.g. 100000.

use std::sync::atomic::{AtomicU64, Ordering};

use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};

use crate::count::{count, summary};
use crate::flash::{Cell, Ram};
use crate::life::{Life, Op, value};
use crate::outcome::{Outcome, Score};
use crate::shape::{SHAPES, Shape};
use crate::trial::Trial;

const CELLS: [Cell; 4] = [Cell::Zero, Cell::One, Cell::Unprogrammable, Cell::Fading];

/// What was counted besides the outcomes.
#[derive(Default)]
struct Counted {
    puts: AtomicU64,
    repeated: AtomicU64,
    excepted: AtomicU64,
}

/// A life of 60 to 460 puts with one bad cell.
fn live(shape: Shape, cell: Cell, seed: u64, counted: &Counted) -> Score {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let ram = Ram::new(shape);
    let bit = rng.random_range(0..shape.capacity() * 8);
    let puts = rng.random_range(60..=460);
    let onset = if rng.random_bool(0.5) { 0 } else { rng.random_range(0..puts) };
    let mut trial = Trial::new(Life::new(&ram), shape.sectors > 2);
    trial.bad_bit = Some(bit);
    if onset == 0 {
        ram.set_cell(bit, cell);
    }
    let mut going = trial.begin();
    let mut n = 0;
    while going && n < puts {
        n += 1;
        if n == onset {
            ram.set_cell(bit, cell);
        }
        let put = Op::Put(rng.random_range(0..5), value(&mut rng, shape));
        going = trial.step(&put) && (!rng.random_bool(0.05) || trial.power_up());
    }
    let outcome = if going && trial.power_up() { Outcome::Right } else { trial.worst };
    counted.puts.fetch_add(n, Ordering::Relaxed);
    counted.repeated.fetch_add(trial.repeated, Ordering::Relaxed);
    counted.excepted.fetch_add(trial.excepted, Ordering::Relaxed);
    let mut score = Score::default();
    score.note(outcome, || {
        let (sector, byte) = (bit / 8 / shape.sector, bit / 8 % shape.sector);
        format!(
            "{outcome:?}: {shape:?}, sector {sector}, byte {byte}, bit {}: {cell:?} from put \
             {onset}, seen at put {n}, seed {seed}",
            bit % 8
        )
    });
    score
}

#[test]
fn a_put_that_says_ok_can_be_read() {
    let seeds: Vec<_> = (0..count("OUTLAST_CELLS", 6000) / 4).collect();
    let mut total = Score::default();
    for cell in CELLS {
        let counted = Counted::default();
        let score = Score::of(&seeds, |seed| {
            live(SHAPES[*seed as usize % SHAPES.len()], cell, *seed, &counted)
        });
        let Counted { puts, repeated, excepted } = counted;
        let puts = puts.into_inner();
        let (repeated, excepted) = (repeated.into_inner(), excepted.into_inner());
        summary(
            format_args!("one bad cell: {cell:?}"),
            format_args!("{score}; {puts} puts, {repeated} failed at first, {excepted} excepted"),
        );
        total = total.plus(score);
    }
    summary("one bad cell", &total);
    total.assert_none_worse_than(Outcome::Right);
}

/// Without this the test above could not tell a bad cell from a mistake of its own.
#[test]
fn healthy_cells_are_right() {
    let seeds: Vec<_> = (0..200).collect();
    let counted = Counted::default();
    let score = Score::of(&seeds, |seed| {
        live(SHAPES[*seed as usize % SHAPES.len()], Cell::Healthy, *seed, &counted)
    });
    let Counted { repeated, excepted, .. } = counted;
    summary("no bad cell", &score);
    score.assert_none_worse_than(Outcome::Right);
    assert_eq!((repeated.into_inner(), excepted.into_inner()), (0, 0));
}
