//! The fast model and the slow one must be the same part.
//!
//! Goal: any slip in one of them shows as a difference. Method: the same calls, cuts and limits go
//! to both, over random sequences of power cycles and over every listed tear; all results, cells
//! and counters must be equal.

use proptest::prelude::*;
use rand::Rng;
use rand::rngs::ChaCha8Rng;
use rayon::prelude::*;

use super::super::{
    Bias, Chip, ContractViolation, CutTear, Geometry, Image, Level, PartError, SecondPrograms,
    Step, Tear,
};
use super::{below, data, geometry, rng, used};
use crate::part::slow_model::{Program, SlowChip};

/// A call to the part. Ranges may be wrong.
#[derive(Clone, Debug)]
enum Call {
    Read { at: u32, len: usize },
    Program { at: u32, data: Vec<u8> },
    Erase { from: u32, to: u32 },
}

/// The result of a call, and the bytes it read.
type Reply = (Result<(), PartError>, Vec<u8>);

/// Makes a call on either model; they have the same methods but no common trait.
macro_rules! call {
    ($chip:expr, $call:expr) => {{
        let mut out = Vec::new();
        let result = match $call {
            Call::Read { at, len } => {
                out.resize(*len, 0x5A);
                $chip.read(*at, &mut out)
            }
            Call::Program { at, data } => $chip.program(*at, data),
            Call::Erase { from, to } => $chip.erase(*from, *to),
        };
        (result, out)
    }};
}

/// What happens to the part during one power cycle.
struct PowerCycle {
    bias: Bias,
    cut: Option<(u64, CutTear)>,
    fuel: u64,
    calls: Vec<Call>,
}

/// Runs both models through one power cycle from `image` on and requires that they agree in
/// everything that can be observed. Returns the image that is left.
fn run_both(chip: &mut Chip, image: &Image, cycle: PowerCycle) -> Image {
    let g = chip.geometry();
    let mut slow = SlowChip::new(g);
    let (repeated_before, most_before) = (chip.repeated_zeros(), chip.most_programs());
    chip.set_fuel(cycle.fuel);
    slow.set_fuel(cycle.fuel);
    chip.record_steps(true);
    chip.power_up(image, cycle.bias);
    slow.power_up(image, cycle.bias);
    let cut_step = cycle.cut.as_ref().map(|(step, _)| *step);
    if let Some((step, tear)) = cycle.cut {
        chip.cut_at(step, tear);
    }

    let replies: Vec<Reply> = cycle.calls.iter().map(|call| call!(chip, call)).collect();
    // A drawn tear is known only now.
    if let (Some(step), Some((_, tear))) = (cut_step, chip.torn_step()) {
        slow.cut_at(step, tear.clone());
    }
    for (call, (result, out)) in cycle.calls.iter().zip(replies) {
        let (expected, bytes) = call!(slow, call);
        assert_eq!(result, expected, "{call:?} on {g:?}");
        assert_eq!(out, bytes, "{call:?} on {g:?} under {:?}", cycle.bias);
    }

    let torn = chip.torn_step().map(|(step, tear)| format!("{step}: {tear}, {tear:?}"));
    assert_eq!(chip.image().bytes(), slow.bytes(), "{torn:?}");
    assert_eq!(chip.image().marginal(), slow.marginal(), "{torn:?}");
    for (unit, programmed) in slow.programmed().iter().enumerate() {
        assert_eq!(chip.image().is_programmed(unit), *programmed, "unit {unit}, {torn:?}");
    }
    assert_eq!(chip.image().erase_counts(), slow.erase_counts());
    let record = chip.image().programs();
    for (unit, programs) in slow.programs().iter().enumerate() {
        let torn_zeros = |program: &Program| program.of_zeros && !program.complete;
        let may_repeat = !programs.is_empty() && programs.iter().all(torn_zeros);
        assert_eq!(usize::from(record.most_of(unit..unit + 1)), programs.len(), "unit {unit}");
        assert_eq!(record.is_begun(unit), !programs.is_empty(), "unit {unit}");
        assert_eq!(record.is_repeatable(unit), may_repeat, "unit {unit}, {torn:?}");
    }
    for (sector, interrupted) in (0..).zip(slow.interrupted_erases()) {
        let unit = sector * g.sector_bytes / g.unit;
        assert_eq!(record.is_half_erased(unit as usize), *interrupted, "sector {sector}");
    }
    assert_eq!(chip.repeated_zeros() - repeated_before, slow.repeated_zeros());
    assert_eq!(chip.most_programs() as usize, slow.most_programs().max(most_before as usize));
    assert_eq!(chip.wear(), slow.wear());
    assert_eq!(chip.is_off(), slow.is_off());
    assert_eq!(chip.counts(), slow.counts());
    assert_eq!(chip.time(), slow.time());
    assert_eq!(chip.violations(), slow.violations());
    assert_eq!(chip.step_count(), slow.steps().len() as u64);
    assert_eq!(chip.take_steps(), slow.steps());
    chip.image().clone()
}

fn geometries() -> [Geometry; 5] {
    [
        geometry(2, 64, 1, 16),
        geometry(3, 32, 4, 8),
        geometry(2, 128, 16, 32),
        geometry(1, 8, 1, 8),
        geometry(2, 48, 3, 12),
    ]
}

fn random_call(g: &Geometry, rng: &mut ChaCha8Rng) -> Call {
    let bytes = g.bytes();
    let wild = below(rng, 12) == 0;
    match below(rng, 8) {
        0..=2 => {
            let at = below(rng, bytes + u32::from(wild));
            let room = bytes.saturating_sub(at) + 3 * u32::from(wild);
            Call::Read { at, len: below(rng, room.min(40) + 1) as usize }
        }
        3..=6 => {
            let at = below(rng, bytes / g.unit) * g.unit;
            let few = if below(rng, 4) == 0 { 1 } else { 24 / g.unit + 1 };
            let units = (1 + below(rng, few)).min((bytes - at) / g.unit);
            let mut data = data((units * g.unit) as usize, rng);
            if below(rng, 3) == 0 {
                data.fill(0);
            }
            if wild {
                data.push(0);
            }
            Call::Program { at: at + u32::from(wild && below(rng, 2) == 0), data }
        }
        _ => {
            let from = below(rng, g.sectors);
            let to = from + 1 + below(rng, g.sectors - from);
            let shift = if wild { below(rng, 2 * g.sector_bytes) } else { 0 };
            Call::Erase { from: from * g.sector_bytes, to: to * g.sector_bytes + shift }
        }
    }
}

fn random_rule(rng: &mut ChaCha8Rng) -> SecondPrograms {
    match below(rng, 4) {
        0 => SecondPrograms::ZerosAllowed,
        1 => SecondPrograms::Counted,
        _ => SecondPrograms::Refused,
    }
}

fn random_bias(rng: &mut ChaCha8Rng) -> Bias {
    match below(rng, 7) {
        6 => Bias::flipping(rng.next_u64(), below(rng, 2) == 0),
        0 => Bias::ZEROS,
        1 => Bias::ONES,
        2 => Bias::stored(),
        3 | 4 => Bias::seeded(rng.next_u64()),
        _ => Bias::flicker(rng.next_u64()),
    }
}

/// How often the events that matter happened in some lives.
#[derive(Clone, Copy, Default)]
struct Happened {
    /// Sequences of calls, one per power cycle.
    sequences: u32,
    cuts: u32,
    with_marginal: u32,
    refused: u32,
    /// Programs refused because the last erase was interrupted, and second programs of zeros that
    /// were allowed.
    half_erased: u32,
    repeated: u32,
}

impl Happened {
    const fn and(self, other: Self) -> Self {
        Self {
            sequences: self.sequences + other.sequences,
            cuts: self.cuts + other.cuts,
            with_marginal: self.with_marginal + other.with_marginal,
            refused: self.refused + other.refused,
            half_erased: self.half_erased + other.half_erased,
            repeated: self.repeated + other.repeated,
        }
    }
}

/// Inserts a program of zeros over the unit at `at`, most often after it was read.
fn repeat(at: u32, len: usize, calls: &mut Vec<Call>, rng: &mut ChaCha8Rng) {
    let place = below(rng, calls.len().min(2) as u32 + 1) as usize;
    calls.insert(place, Call::Program { at, data: vec![0; len] });
    if below(rng, 4) != 0 {
        calls.insert(place, Call::Read { at, len });
    }
}

/// Runs one life of up to five power cycles, each beginning with the image that the one before
/// left.
fn random_life(seed: u64) -> Happened {
    let half_erased = |violation: &&ContractViolation| {
        matches!(violation, ContractViolation::InterruptedErase { .. })
    };
    let rng = &mut rng(seed);
    let mut happened = Happened::default();
    let g = geometries()[below(rng, 5) as usize];
    let mut chip = Chip::new(g);
    let mut image = Image::blank(&g);
    image.set_second_programs(&g, random_rule(rng));
    for _ in 0..=below(rng, 5) {
        let mut calls: Vec<Call> = (0..below(rng, 14)).map(|_| random_call(&g, rng)).collect();
        if let Some((Step::Program { at, data }, _)) = chip.torn_step()
            && data.len() == g.unit as usize
        {
            repeat(*at, data.len(), &mut calls, rng);
        }
        let repeated_before = chip.repeated_zeros();
        let level = Level::ALL[below(rng, Level::ALL.len() as u32) as usize];
        let cut = (below(rng, 4) != 0).then(|| {
            let stream = super::rng(rng.next_u64());
            let tear = CutTear::Drawn { level, rng: Box::new(stream) };
            (u64::from(below(rng, 6)), tear)
        });
        let fuel = if below(rng, 20) == 0 { below(rng, 8).into() } else { u64::MAX };
        let cycle = PowerCycle { bias: random_bias(rng), cut, fuel, calls };
        image = run_both(&mut chip, &image, cycle);
        happened = happened.and(Happened {
            sequences: 1,
            cuts: u32::from(chip.is_off()),
            with_marginal: u32::from(image.has_marginal()),
            refused: u32::try_from(chip.violations().len()).unwrap(),
            half_erased: chip.violations().iter().filter(half_erased).count() as u32,
            repeated: (chip.repeated_zeros() - repeated_before) as u32,
        });
    }
    happened
}

/// Runs `OUTLAST_SEQUENCES` sequences of calls, or by default as many as take a few seconds.
#[test]
fn the_models_agree_over_random_lives() {
    let wanted = std::env::var("OUTLAST_SEQUENCES").map_or(20_000, |n| n.parse().unwrap());
    let mut all = Happened::default();
    let mut first = 0;
    while all.sequences < wanted {
        let lives = (first..first + 1000).into_par_iter().map(random_life);
        all = all.and(lives.reduce(Happened::default, Happened::and));
        first += 1000;
    }
    // The comparison is meaningful only if these events happen often.
    let often = |count: u32, of: u32| u64::from(count) * u64::from(of) > u64::from(all.sequences);
    assert!(often(all.cuts, 6), "{}", all.cuts);
    assert!(often(all.with_marginal, 12), "{}", all.with_marginal);
    assert!(often(all.refused, 4), "{}", all.refused);
    assert!(often(all.half_erased, 100), "{}", all.half_erased);
    assert!(often(all.repeated, 1000), "{}", all.repeated);
    println!("{} sequences equal, {} of them cut", all.sequences, all.cuts);
}

#[test]
fn the_models_agree_for_every_listed_tear() {
    let mut tears = 0;
    for seed in 0..150 {
        let rng = &mut rng(1_000_000 + seed);
        let g = geometries()[below(rng, 5) as usize];
        let mut image = used(&g, rng);
        image.set_second_programs(&g, random_rule(rng));
        let step = super::step(&g, rng);
        let call = match &step {
            Step::Program { at, data } => Call::Program { at: *at, data: data.clone() },
            Step::Erase { sector } => {
                Call::Erase { from: sector * g.sector_bytes, to: (sector + 1) * g.sector_bytes }
            }
        };
        let mut chip = Chip::new(g);
        chip.power_up(&image, Bias::stored());
        if call!(chip, &call).0.is_err() {
            continue;
        }
        for tear in Tear::list(&g, Level::F5, &image, &step, 1) {
            let read = Call::Read { at: 0, len: g.bytes() as usize };
            let cut = Some((0, CutTear::Given(tear.clone())));
            let calls = vec![read.clone(), call.clone(), read];
            let cycle = PowerCycle { bias: random_bias(rng), cut, fuel: u64::MAX, calls };
            let left = run_both(&mut chip, &image, cycle);
            // The explorer tears images without a chip, so check that this gives the same image.
            let mut direct = image.clone();
            direct.apply_torn(&g, &step, &tear);
            assert_eq!(direct, left);
            let cycle = PowerCycle {
                bias: random_bias(rng),
                cut: None,
                fuel: u64::MAX,
                calls: (0..6).map(|_| random_call(&g, rng)).collect(),
            };
            run_both(&mut chip, &left, cycle);
            tears += 1;
        }
    }
    assert!(tears > 10_000, "{tears}");
}

fn call_strategy() -> impl Strategy<Value = Call> {
    let byte = prop_oneof![Just(0x00), Just(0xFF), any::<u8>()];
    prop_oneof![
        3 => (0_u32..140, 0_usize..40).prop_map(|(at, len)| Call::Read { at, len }),
        4 => (0_u32..132, prop::collection::vec(byte, 0..40))
            .prop_map(|(at, data)| Call::Program { at, data }),
        1 => (0_u32..3, 0_u32..4)
            .prop_map(|(from, to)| Call::Erase { from: from * 64, to: to * 64 }),
    ]
}

proptest! {
    /// The same with inputs that proptest shrinks when they fail.
    #[test]
    fn the_models_agree_over_lives_that_shrink(
        cycles in prop::collection::vec(
            (prop::collection::vec(call_strategy(), 0..8), 0_u64..5, any::<u64>(), 0..5_usize),
            1..4,
        ),
        rule in 0..3_usize,
    ) {
        let g = geometry(2, 64, 1, 16);
        let mut chip = Chip::new(g);
        let mut image = Image::blank(&g);
        let rules =
            [SecondPrograms::ZerosAllowed, SecondPrograms::Refused, SecondPrograms::Counted];
        image.set_second_programs(&g, rules[rule]);
        for (calls, step, seed, bias) in cycles {
            let drawn = CutTear::Drawn { level: Level::F5, rng: Box::new(rng(seed)) };
            let bias = [
                Bias::ZEROS, Bias::ONES, Bias::stored(), Bias::seeded(seed), Bias::flicker(seed),
            ][bias];
            let cycle = PowerCycle { bias, cut: Some((step, drawn)), fuel: u64::MAX, calls };
            image = run_both(&mut chip, &image, cycle);
        }
    }
}
