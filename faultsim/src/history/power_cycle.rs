//! What is drawn for each power-up of a random life.

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

use crate::check::reading::BiasPick;
use crate::part::{BadChange, BadKind, Geometry, Level, Tear};
use crate::subject::{KeyNames, Op};
use crate::workload::mix::OpMix;
use crate::workload::mixed;

/// What happens in one power-up.
#[derive(Clone, Debug)]
pub(crate) struct PowerCycle {
    pub(crate) number: u32,
    pub(crate) bias: BiasPick,
    /// The cut comes at this step, counted from power-up, or after the operations.
    pub(crate) step: u64,
    pub(crate) tearing: Tearing,
    /// Seed of the tear and of whatever else is drawn.
    pub(crate) seed: u64,
    /// What becomes of the bad sector before this power-up.
    pub(crate) bad: BadChange,
    pub(crate) ops: Vec<Op>,
    pub(crate) reads: Reads,
    /// Whether everything is read once more after the operations.
    pub(crate) reads_at_end: bool,
}

/// How the step at the cut is torn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Tearing {
    Drawn,
    Nothing,
    Everything,
}

impl Tearing {
    pub(crate) const ALL: [Self; 3] = [Self::Drawn, Self::Nothing, Self::Everything];

    pub(crate) fn tear(self) -> Option<Tear> {
        match self {
            Self::Drawn => None,
            Self::Nothing => Some(Tear::NOTHING),
            Self::Everything => Some(Tear::EVERYTHING),
        }
    }
}

/// What is read after coming up. What is not read stays undecided, and may change unnoticed until
/// it is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Reads {
    All,
    /// About every second setting.
    Few,
    Nothing,
}

/// What is left of a power-up in a life that was shrunk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct KeptCycle {
    pub(crate) number: u32,
    /// One bit per operation.
    pub(crate) ops: u32,
    pub(crate) tearing: Tearing,
    /// Replaces what was drawn, as does `step`.
    pub(crate) bias: Option<BiasPick>,
    pub(crate) step: Option<u32>,
    pub(crate) bad: Option<BadChange>,
}

/// The choices of a life.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct LifeChoices {
    pub(crate) run: u64,
    pub(crate) power_ups: u32,
    /// See [`crate::config::RandomLives::recoveries_cut_in_a_row`].
    pub(crate) in_a_row: u32,
    pub(crate) kept: Option<Vec<KeptCycle>>,
}

/// The power-ups of one life, drawn one by one.
#[derive(Debug)]
pub(crate) struct PowerCycles {
    mix: OpMix,
    rng: ChaCha8Rng,
    /// Draws sectors that go bad, if the level has them.
    bad_rng: Option<ChaCha8Rng>,
    number: u32,
    /// Mean number of steps until the cut.
    mean_steps: f64,
}

impl PowerCycles {
    pub(crate) fn new(
        seed: u64,
        run: u64,
        (geometry, level): (&Geometry, Level),
        counters: bool,
    ) -> Self {
        let seed = mixed(seed ^ mixed(run));
        let (mix, _) = OpMix::new(seed, geometry, false);
        let mix = if counters { mix.with_counters() } else { mix };
        // Some lives have cuts in quick succession; others have time to work in between.
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(1);
        let mean_steps = [2.0, 5.0, 12.0, 30.0][rng.random_range(0..4_usize)];
        let bad_rng = (level >= Level::F7).then(|| {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            rng.set_stream(2);
            rng
        });
        Self { mix, rng, bad_rng, number: 0, mean_steps }
    }

    pub(crate) fn keys(&self) -> KeyNames {
        self.mix.keys().clone()
    }

    pub(crate) fn draw(&mut self) -> PowerCycle {
        let rng = &mut self.rng;
        let bias = match rng.random_range(0..8) {
            0 => BiasPick::Zeros,
            1 => BiasPick::Ones,
            2 => BiasPick::Stored,
            3..=5 => BiasPick::Fixed,
            _ => BiasPick::Flicker,
        };
        let stop = 1.0 / (1.0 + self.mean_steps);
        let step = (0..200).take_while(|_| !rng.random_bool(stop)).count() as u64;
        let seed = rng.random();
        let reads = match rng.random_range(0..10) {
            0..=5 => Reads::All,
            6..=7 => Reads::Few,
            _ => Reads::Nothing,
        };
        let reads_at_end = rng.random_bool(0.3);
        let ops = (0..rng.random_range(0..=step.min(20) + 2)).map(|_| self.mix.draw(rng)).collect();
        let number = self.number;
        self.number += 1;
        let bad = self.bad_rng.as_mut().map_or(BadChange::Stays, draw_bad);
        let tearing = Tearing::Drawn;
        PowerCycle { number, bias, step, tearing, seed, bad, ops, reads, reads_at_end }
    }

    /// All power-ups up to a number, as far as they are kept.
    pub(crate) fn list(mut self, power_ups: u32, kept: Option<&[KeptCycle]>) -> Vec<PowerCycle> {
        let mut cycles = Vec::new();
        for number in 0..power_ups {
            let mut cycle = self.draw();
            if let Some(kept) = kept {
                let Some(keep) = kept.iter().find(|kept| kept.number == number) else { continue };
                let mut bit = 0;
                cycle.ops.retain(|_| {
                    bit += 1;
                    keep.ops >> (bit - 1) & 1 == 1
                });
                cycle.tearing = keep.tearing;
                cycle.bias = keep.bias.unwrap_or(cycle.bias);
                cycle.step = keep.step.map_or(cycle.step, u64::from);
                cycle.bad = keep.bad.unwrap_or(cycle.bad);
            }
            cycles.push(cycle);
        }
        cycles
    }
}

/// A sector goes bad about as often as it works again.
fn draw_bad(rng: &mut ChaCha8Rng) -> BadChange {
    let kind = BadKind::ALL[[0, 1, 2, 3, 5, 6, 7, 8, 9][rng.random_range(0..9_usize)]];
    match rng.random_range(0..8) {
        0 => BadChange::ComesBack,
        1 => BadChange::Next(kind, rng.random_range(0..3)),
        _ => BadChange::Stays,
    }
}
