//! Programs that wear the flash although nothing changes.
//!
//! Goal: no unit is programmed twice between two erases, and a power-up that only reads programs
//! nothing and erases nothing, unless the one before wrote and lost power without a rest. Method:
//! thousands of power-ups on every geometry, on a flash that counts.
//!
//! `OUTLAST_CYCLES`: power-ups of each life. `OUTLAST_POWER_UPS`: power-ups that only read, in all.

use std::collections::BTreeMap;

use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};
use rayon::prelude::*;

use crate::api::RESTS;
use crate::count::{count, summary};
use crate::flash::{Calls, Ram};
use crate::history::{PLANS, healthy};
use crate::life::{COUNTERS, Life, Mix, Op, value};
use crate::outcome::Answers;
use crate::shape::{Shape, with_shapes};

/// What happens in each power-up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Use {
    Nothing,
    Put,
    PutAndRest,
    SomePuts,
    Ticks,
    Anything,
}

const USES: [Use; 6] =
    [Use::Nothing, Use::Put, Use::PutAndRest, Use::SomePuts, Use::Ticks, Use::Anything];

fn most_programs(shape: Shape, usage: Use, cycles: u64) -> u32 {
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    let ram = Ram::new(shape);
    let mut life = Life::new(&ram);
    life.power_up().expect("a new store");
    for key in 0..5 {
        life.live(&Op::Put(key, value(&mut rng, shape)));
    }
    for cycle in 0..cycles {
        life.live(&Op::PowerUp);
        let put = Op::Put(cycle as usize % 5, value(&mut rng, shape));
        match usage {
            Use::Nothing => {}
            Use::Put => life.live(&put),
            Use::PutAndRest => {
                life.live(&put);
                life.live(&Op::Rest);
            }
            Use::SomePuts if cycle % 10 > 0 => {}
            Use::SomePuts => life.live(&put),
            Use::Ticks => {
                for tick in 0..rng.random_range(0..5_usize) {
                    life.live(&Op::Tick(COUNTERS[tick % 2]));
                }
            }
            Use::Anything => {
                for _ in 0..5 {
                    for op in Mix::ALL.draw(&mut rng, shape) {
                        life.live(&op);
                    }
                }
            }
        }
    }
    assert!(Answers::of(life.session()).are(&life.now), "{shape:?}, {usage:?}");
    ram.most_programs()
}

#[test]
fn no_unit_is_programmed_twice() {
    let cycles = count("OUTLAST_CYCLES", 3000);
    let cases = with_shapes(USES);
    let most = cases
        .par_iter()
        .map(|(usage, shape)| (*usage, most_programs(*shape, *usage, cycles), *shape));
    let most: Vec<_> = most.collect();
    let mut worst = BTreeMap::new();
    for (usage, programs, shape) in most {
        let worst = worst.entry(usage).or_insert((0, shape));
        if programs > worst.0 {
            *worst = (programs, shape);
        }
    }
    for (usage, (programs, shape)) in &worst {
        summary(
            format_args!("{cycles} power-ups: {usage:?}"),
            format_args!("{programs} programs of one unit, {shape:?}"),
        );
    }
    assert!(worst.values().all(|(programs, _)| *programs == 1), "{worst:?}");
}

/// Programs and erases of power-ups that only read.
#[test]
fn reading_programs_nothing() {
    let cases = with_shapes(&PLANS);
    let power_ups = count("OUTLAST_POWER_UPS", 24_000).div_ceil(cases.len() as u64);
    let counted = cases.par_iter().map(|(plan, shape)| {
        let start = healthy(*shape, plan, 4);
        let ram = Ram::new(*shape);
        let mut life = start.resume(&ram);
        if !plan.is_settled(RESTS) {
            // The one before may have lost power without a rest, so this one may settle.
            life.power_up().expect("a healthy flash");
        }
        let before = ram.calls();
        for _ in 0..power_ups {
            life.power_up().expect("a healthy flash");
            assert!(Answers::of(life.session()).are(&start.now), "{shape:?}, {}", plan.name);
        }
        let Calls { programs, erases, .. } = ram.calls();
        ((programs - before.programs, erases - before.erases), format!("{shape:?}, {}", plan.name))
    });
    let counted: Vec<_> = counted.collect();
    let programs: u64 = counted.iter().map(|((programs, _), _)| programs).sum();
    let erases: u64 = counted.iter().map(|((_, erases), _)| erases).sum();
    let all = power_ups * cases.len() as u64;
    summary(
        format_args!("{all} power-ups that only read"),
        format_args!("{programs} programs, {erases} erases"),
    );
    let worst = counted.iter().max();
    assert_eq!((programs, erases), (0, 0), "at worst {worst:?}");
}
