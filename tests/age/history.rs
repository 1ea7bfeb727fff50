//! Short healthy lives, and the images that they leave.

use std::ops::Range;

use rand::SeedableRng as _;
use rand::rngs::ChaCha8Rng;

use crate::flash::{Image, Ram};
use crate::life::{COUNTERS, Life, Mix, Op, Past, Values, count_in, value};
use crate::shape::Shape;

/// How a life ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum End {
    /// With a change.
    Change,
    /// With a rest.
    Rest,
    /// With a power-up that changed nothing.
    PowerUp,
    /// With the first put after the last compaction, and no power-up since.
    NewHead,
}

/// A kind of life.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Plan {
    pub(crate) name: &'static str,
    mix: Mix,
    steps: u32,
    /// Compactions that there must be at least, for each sector.
    rounds: u32,
    end: End,
}

impl Plan {
    /// Whether a mount of what it leaves need not settle. `rests`: whether the store can rest.
    pub(crate) fn is_settled(&self, rests: bool) -> bool {
        self.end == End::PowerUp || self.end == End::Rest && rests
    }
}

const NO_POWER_UPS: Mix = Mix { power_ups: 0, ..Mix::ALL };
const WITH_POWER_UPS: Mix = Mix { power_ups: 1, ..Mix::PUTS };
const BATCHES: Mix = Mix { commits: 3, deletes: 1, ..Mix::PUTS };
const LONG: Mix = Mix { long: true, ..BATCHES };
const COUNTS: Mix = Mix { puts: 0, counts: 20, power_ups: 1, ..Mix::PUTS };

/// All kinds of lives.
pub(crate) static PLANS: [Plan; 11] = [
    Plan { name: "puts", mix: Mix::PUTS, steps: 7, rounds: 0, end: End::Change },
    Plan { name: "puts, rested", mix: WITH_POWER_UPS, steps: 7, rounds: 0, end: End::Rest },
    Plan { name: "power-ups", mix: WITH_POWER_UPS, steps: 9, rounds: 0, end: End::Change },
    Plan { name: "batches", mix: BATCHES, steps: 4, rounds: 0, end: End::Change },
    Plan { name: "counters", mix: COUNTS, steps: 20, rounds: 0, end: End::Change },
    Plan { name: "one power cycle", mix: NO_POWER_UPS, steps: 9, rounds: 2, end: End::Change },
    Plan { name: "turned", mix: Mix::ALL, steps: 9, rounds: 2, end: End::NewHead },
    Plan { name: "long values", mix: LONG, steps: 9, rounds: 1, end: End::Change },
    Plan { name: "all", mix: Mix::ALL, steps: 9, rounds: 2, end: End::Change },
    Plan { name: "all, settled", mix: Mix::ALL, steps: 9, rounds: 1, end: End::PowerUp },
    Plan { name: "all, rested", mix: Mix::ALL, steps: 9, rounds: 1, end: End::Rest },
];

/// Whether this bit is one of the last two bytes of the last program, which programmed it to 0.
///
/// These are the zero count of the last record, unless the program was for an opening. With a 1
/// there that should be a 0, the record looks torn as long as nothing after it proves it: no reader
/// could tell the difference.
pub(crate) fn is_in_unproven_count(bytes: &[u8], last: &Range<usize>, bit: usize) -> bool {
    let is_opening = bytes[last.clone()].starts_with(&[0x0A, 0x57]);
    let is_zero = bytes[bit / 8] & 1 << (bit % 8) == 0;
    !is_opening && is_zero && (last.end.saturating_sub(2)..last.end).contains(&(bit / 8))
}

/// The plan with this name.
///
/// # Panics
/// If there is none.
pub(crate) fn plan(name: &str) -> &'static Plan {
    PLANS.iter().find(|plan| plan.name == name).expect("a plan")
}

/// What a healthy life leaves, and what is known of it.
#[derive(Clone, Debug)]
pub(crate) struct Healthy {
    pub(crate) image: Image,
    pub(crate) now: Values,
    /// What the settings were before the last step.
    pub(crate) before: Values,
    pub(crate) past: Past,
}

impl Healthy {
    /// Whether this bit may undo the last change.
    pub(crate) fn is_in_unproven_count(&self, bit: usize) -> bool {
        let Self { image, now, before, .. } = self;
        now != before && is_in_unproven_count(image.bytes(), &image.last_program(), bit)
    }

    /// What the settings may be, for all that a reader can see, if these bytes are what a power cut
    /// left of the last program: as before the last change, or with one more tick.
    pub(crate) fn if_torn(&self, range: Range<usize>) -> Vec<Values> {
        let mut values = Vec::new();
        let last = self.image.last_program();
        if range.start < last.end && last.start < range.end {
            values.push(self.before.clone());
        }
        if self.image.bytes()[range].contains(&0xFF) {
            for key in COUNTERS {
                let mut ticked = self.now.clone();
                let count = count_in(ticked[key].as_ref()) + 1;
                ticked[key] = Some(count.to_le_bytes().to_vec());
                values.push(ticked);
            }
        }
        values
    }

    /// What this life leaves if the power is switched off now.
    pub(crate) fn of(life: &Life<'_>) -> Self {
        let Life { ram, now, before, past, .. } = life;
        Self { image: ram.image(), now: now.clone(), before: before.clone(), past: past.clone() }
    }

    /// The life that goes on from here, with the store not open yet.
    pub(crate) fn resume<'r>(&self, ram: &'r Ram) -> Life<'r> {
        ram.restore(&self.image);
        Life::resume(ram, &self.now, &self.past)
    }
}

/// Lives through a plan.
pub(crate) fn healthy(shape: Shape, plan: &Plan, seed: u64) -> Healthy {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let ram = Ram::new(shape);
    let mut life = Life::new(&ram);
    life.power_up().expect("a new store");
    let first = life.session().compactions();
    let mut step = 0;
    let turns = plan.rounds * shape.sectors as u32;
    while step < plan.steps || life.session().compactions() - first < turns {
        for op in plan.mix.draw(&mut rng, shape) {
            life.live(&op);
        }
        step += 1;
        assert!(step < 100_000, "{shape:?}: {} never compacts", plan.name);
    }
    let mut put =
        |life: &mut Life<'_>| life.live(&Op::Put(step as usize % 5, value(&mut rng, shape)));
    match plan.end {
        End::Change => put(&mut life),
        End::Rest => life.live(&Op::Rest),
        End::PowerUp => life.live(&Op::PowerUp),
        End::NewHead => {
            let turns = life.session().compactions();
            while life.session().compactions() == turns {
                put(&mut life);
            }
        }
    }
    Healthy::of(&life)
}
