//! One run: a storage scheme under a load, counted call by call.

use serde::Serialize;

use crate::format::in_words;
use crate::latency::Latency;
use crate::load::{Draw, Load};
use crate::sheet::Supply;
use outlast_faultsim::part::{Chip, Counts, DeviceTime, Geometry, Part, Timing};
use outlast_faultsim::subject::{Change, KeyNames, Op, Subject, Trouble, Work};
use outlast_faultsim::subjects::naive::Naive;
use outlast_faultsim::subjects::outlast::ManyKeys;
use outlast_faultsim::subjects::two_copies::TwoCopies;

/// A way to store settings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Scheme {
    /// This store.
    Outlast,
    /// Read a sector, change it, erase it, write it back.
    Naive,
    /// The whole table, written alternately to two places.
    TwoCopies,
}

impl Scheme {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Outlast, Self::Naive, Self::TwoCopies];

    /// Short name.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Outlast => "outlast",
            Self::Naive => "naive",
            Self::TwoCopies => "two-copies",
        }
    }
}

/// What to run.
#[derive(Clone, Debug)]
pub struct Setup {
    /// The part.
    pub geometry: Geometry,
    /// Its times.
    pub timing: Timing,
    /// How settings are stored.
    pub scheme: Scheme,
    /// Which of them change, and how often.
    pub load: Load,
    /// How many there are.
    pub keys: u32,
    /// Bytes of each key.
    pub key_bytes: u32,
    /// Bytes of each value.
    pub value_bytes: u32,
    /// Updates before counting starts.
    pub warm_up: u64,
    /// Counted updates.
    pub updates: u64,
    /// Seed of the random numbers.
    pub seed: u64,
}

/// What one run cost. Per update unless said otherwise; times in nanoseconds.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Cost {
    /// Number of updates counted: changed values, not calls.
    pub updates: u64,
    /// Bytes of the value.
    pub payload_bytes: f64,
    /// Bytes programmed.
    pub programmed_bytes: f64,
    /// Programmed bytes per payload byte.
    pub byte_amplification: f64,
    /// Program calls of the scheme.
    pub program_calls: f64,
    /// Sector erases.
    pub erases: f64,
    /// Read calls.
    pub reads: f64,
    /// Bytes read.
    pub read_bytes: f64,
    /// Bytes on the bus, with commands and addresses but without status polls.
    pub bus_bytes: f64,
    /// Device time with typical times.
    pub typical_ns: f64,
    /// Device time with maximum times.
    pub maximal_ns: f64,
    /// Energy in microjoules, with typical times and [`Supply::USUAL`].
    pub microjoules: f64,
    /// Erases of each sector in the run.
    pub wear: Vec<u32>,
    /// Erases of the most erased sector less those of the least erased one, over the whole life.
    pub wear_spread: u32,
    /// How long calls took, with typical times.
    pub latency: Latency,
    /// The call that took longest, with maximum times.
    pub worst_call: CallCost,
    /// Power-ups in the run; the figures above include their cost.
    pub boots: u64,
    /// The power-up that took longest.
    pub worst_boot: CallCost,
}

/// What one call cost the part.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct CallCost {
    /// Its work.
    pub work: Work,
    /// Bytes it programmed.
    pub programmed_bytes: u64,
    /// Bytes it read.
    pub read_bytes: u64,
    /// Its duration.
    pub time: DeviceTime,
}

/// Bytes on the bus: a command and an address for every read, program and erase, and a write enable
/// command before every program and erase. Matches [`Timing`].
pub fn bus_bytes(counts: &Counts) -> u64 {
    4 * counts.reads
        + counts.read_bytes
        + 5 * counts.programs
        + counts.programmed_bytes
        + 5 * counts.erases
}

/// Carries out a run. `tick` is called with the number of updates done since the last call.
///
/// # Errors
/// If the settings do not fit or the scheme fails, in words.
pub fn run(setup: &Setup, tick: &(dyn Fn(u64) + Sync)) -> Result<Cost, String> {
    match setup.scheme {
        Scheme::Outlast => drive(&ManyKeys, setup, tick),
        Scheme::Naive => drive(&Naive, setup, tick),
        Scheme::TwoCopies => drive(&TwoCopies, setup, tick),
    }
}

/// Names for `keys` keys of `bytes` bytes each.
///
/// # Errors
/// If there are not enough different names of that length.
pub fn key_names(keys: u32, bytes: u32) -> Result<KeyNames, String> {
    let names: Result<Vec<String>, String> =
        (0..keys as usize).map(|number| key_name(bytes, number)).collect();
    names.map(KeyNames::new)
}

/// A different key for each number: digits and letters, padded in front.
pub(crate) fn key_name(bytes: u32, mut number: usize) -> Result<String, String> {
    const DIGITS: &[u8; 62] = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz";
    let mut name = vec![b'0'; bytes as usize];
    for digit in name.iter_mut().rev() {
        *digit = DIGITS[number % DIGITS.len()];
        number /= DIGITS.len();
    }
    if number > 0 || bytes == 0 {
        return Err(format!("there are not enough different keys of {bytes} bytes"));
    }
    Ok(String::from_utf8_lossy(&name).into_owned())
}

/// Updates between two calls of `tick`.
const TICK: u64 = 1024;

fn drive<S: Subject>(
    subject: &S,
    setup: &Setup,
    tick: &(dyn Fn(u64) + Sync),
) -> Result<Cost, String> {
    let keys = key_names(setup.keys, setup.key_bytes)?;
    let mut chip = Chip::new(setup.geometry);
    chip.set_timing(setup.timing);
    let part = Part::new(chip);
    let mut draw = Draw::new(setup.load, setup.keys, setup.seed);
    let mut store = subject.open(&part).map_err(in_words)?;
    for key in 0..setup.keys {
        let put = Op::Put { key: key as u16, value: draw.value(setup.value_bytes) };
        subject.apply(&mut store, &put, &keys).map_err(in_words)?;
    }
    let mut totals = Totals::new(&part);
    let per_call = u64::from(setup.load.updates_per_call());
    let mut done = 0;
    let mut counting = false;
    while done < setup.warm_up + setup.updates {
        if !counting && done >= setup.warm_up {
            counting = true;
            totals = Totals::new(&part);
        }
        if let Some(every) = setup.load.updates_per_boot()
            && done.is_multiple_of(every.into())
        {
            drop(store);
            let (opened, call) = timed(&part, || subject.open(&part));
            store = opened.map_err(in_words)?;
            totals.boot(call);
        }
        let op = next(&mut draw, setup);
        let (applied, call) = timed(&part, || subject.apply(&mut store, &op, &keys));
        applied.map_err(in_words)?;
        totals.call(call, per_call);
        done += per_call;
        if done % TICK < per_call {
            tick(TICK);
        }
    }
    tick(done % TICK);
    Ok(totals.cost(&part, setup))
}

fn next(draw: &mut Draw, setup: &Setup) -> Op {
    let per_call = setup.load.updates_per_call() as usize;
    if per_call == 1 {
        return Op::Put { key: draw.key(), value: draw.value(setup.value_bytes) };
    }
    let mut chosen: Vec<u16> = Vec::with_capacity(per_call);
    while chosen.len() < per_call.min(setup.keys as usize) {
        let key = draw.key();
        if !chosen.contains(&key) {
            chosen.push(key);
        }
    }
    let put = |key| Change::Put { key, value: draw.value(setup.value_bytes) };
    Op::Batch(chosen.into_iter().map(put).collect())
}

/// Calls `act` and returns its result with what it cost the part.
pub(crate) fn timed<T>(
    part: &Part,
    act: impl FnOnce() -> Result<T, Trouble>,
) -> (Result<T, Trouble>, CallCost) {
    let state = || (part.chip().counts(), part.chip().time());
    let (counts, time) = state();
    let result = act();
    let (after, time_after) = state();
    let call = CallCost {
        work: Work {
            reads: after.reads - counts.reads,
            programs: after.program_calls - counts.program_calls,
            erases: after.erases - counts.erases,
        },
        programmed_bytes: after.programmed_bytes - counts.programmed_bytes,
        read_bytes: after.read_bytes - counts.read_bytes,
        time: DeviceTime {
            typical_ns: time_after.typical_ns - time.typical_ns,
            maximal_ns: time_after.maximal_ns - time.maximal_ns,
        },
    };
    (result, call)
}

impl CallCost {
    /// The longer of the two, with maximum times.
    pub(crate) fn longer(self, other: Self) -> Self {
        if other.time.maximal_ns > self.time.maximal_ns { other } else { self }
    }
}

/// What is counted during a run.
struct Totals {
    counts: Counts,
    time: DeviceTime,
    wear: Vec<u32>,
    updates: u64,
    boots: u64,
    durations: Vec<u64>,
    worst_call: CallCost,
    worst_boot: CallCost,
}

impl Totals {
    fn new(part: &Part) -> Self {
        let chip = part.chip();
        Self {
            counts: chip.counts(),
            time: chip.time(),
            wear: chip.image().erase_counts().to_vec(),
            updates: 0,
            boots: 0,
            durations: Vec::new(),
            worst_call: CallCost::default(),
            worst_boot: CallCost::default(),
        }
    }

    fn call(&mut self, call: CallCost, updates: u64) {
        self.updates += updates;
        self.durations.push(call.time.typical_ns);
        self.worst_call = self.worst_call.longer(call);
    }

    fn boot(&mut self, boot: CallCost) {
        self.boots += 1;
        self.worst_boot = self.worst_boot.longer(boot);
    }

    fn cost(self, part: &Part, setup: &Setup) -> Cost {
        let chip = part.chip();
        let (from, to) = (self.counts, chip.counts());
        let updates = self.updates.max(1) as f64;
        let per = |from: u64, to: u64| (to - from) as f64 / updates;
        let bus = per(bus_bytes(&from), bus_bytes(&to));
        let typical_ns = per(self.time.typical_ns, chip.time().typical_ns);
        let bus_ns = bus * setup.timing.bus_byte_ns as f64;
        let programmed_bytes = per(from.programmed_bytes, to.programmed_bytes);
        let payload = f64::from(setup.value_bytes);
        let wear = chip.wear();
        Cost {
            updates: self.updates,
            payload_bytes: payload,
            programmed_bytes,
            byte_amplification: programmed_bytes / payload,
            program_calls: per(from.program_calls, to.program_calls),
            erases: per(from.erases, to.erases),
            reads: per(from.reads, to.reads),
            read_bytes: per(from.read_bytes, to.read_bytes),
            bus_bytes: bus,
            typical_ns,
            maximal_ns: per(self.time.maximal_ns, chip.time().maximal_ns),
            microjoules: Supply::USUAL.microjoules(typical_ns - bus_ns, bus_ns),
            wear: chip
                .image()
                .erase_counts()
                .iter()
                .zip(&self.wear)
                .map(|(now, then)| now - then)
                .collect(),
            wear_spread: wear.most_erased - wear.least_erased,
            latency: Latency::of(self.durations),
            worst_call: self.worst_call,
            boots: self.boots,
            worst_boot: self.worst_boot,
        }
    }
}

#[cfg(test)]
mod tests {
    //! Goal: the counts of a run are right. Method: figures that follow from the definition of a
    //! scheme, and sums that must agree.

    use super::*;

    fn setup(scheme: Scheme, load: Load) -> Setup {
        Setup {
            geometry: Geometry::new(4, 4096, 1, 256).unwrap(),
            timing: Timing::SERIAL_NOR,
            scheme,
            load,
            keys: 40,
            key_bytes: 4,
            value_bytes: 16,
            warm_up: 100,
            updates: 2000,
            seed: 1,
        }
    }

    /// If only the bus takes time, the time is that of the bus bytes.
    #[test]
    fn bus_bytes_are_those_of_the_timing() {
        let none = DeviceTime::default();
        let timing =
            Timing { byte_program: none, page_program: none, erase_4k: none, bus_byte_ns: 10 };
        for scheme in Scheme::ALL {
            let cost = run(&Setup { timing, ..setup(scheme, Load::Uniform) }, &|_| {}).unwrap();
            assert!((cost.typical_ns - 10.0 * cost.bus_bytes).abs() < 1e-6, "{scheme:?}");
        }
    }

    /// By definition the naive rewrite erases once per update. Two copies on four sectors erase
    /// half of them each time.
    #[test]
    fn rewriting_costs_an_erase_per_update() {
        let naive = run(&setup(Scheme::Naive, Load::Uniform), &|_| {}).unwrap();
        assert_eq!(naive.erases, 1.0);
        let two = run(&setup(Scheme::TwoCopies, Load::Uniform), &|_| {}).unwrap();
        assert_eq!(two.erases, 2.0);
        // A header of 12 bytes; 40 settings of 4 + 16 bytes with 4 bytes for the lengths.
        assert_eq!(two.programmed_bytes, 12.0 + 40.0 * 24.0);
        assert_eq!(two.reads, 0.0);
    }

    #[test]
    fn every_load_runs_on_every_scheme_and_counts_add_up() {
        for load in Load::ALL {
            for scheme in Scheme::ALL {
                let cost = run(&setup(scheme, load), &|_| {}).unwrap();
                assert!(cost.updates >= 2000, "{load:?} {scheme:?}");
                let worn: u32 = cost.wear.iter().sum();
                assert_eq!(f64::from(worn) / cost.updates as f64, cost.erases);
                assert!(cost.maximal_ns > cost.typical_ns);
                assert!(cost.latency.most_ns <= cost.worst_call.time.maximal_ns);
                assert_eq!(cost.boots > 0, load == Load::FrequentBoots);
                if scheme == Scheme::Outlast {
                    assert!(cost.wear_spread <= 1, "{load:?}");
                }
            }
        }
    }

    #[test]
    fn settings_that_do_not_fit_are_refused() {
        let full = Setup { keys: 1000, ..setup(Scheme::Naive, Load::Uniform) };
        assert_eq!(run(&full, &|_| {}).unwrap_err(), "the settings do not fit");
        let names = Setup { keys: 4000, key_bytes: 2, ..full };
        assert!(run(&names, &|_| {}).unwrap_err().contains("different keys"));
    }
}
