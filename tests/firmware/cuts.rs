//! Power cuts: the emulator is killed at random moments, again and again with the same chip.
//!
//! Goal: the driver, the controller and a chip model that is not ours keep the promises of the
//! store together. Method: random changes are typed; after each kill the firmware starts again, and
//! what it lists is compared with what was acknowledged.
//!
//! The emulated chip does each program and erase at once and completely, and its file receives them
//! in order, a page or an erase at a time. So a kill leaves some first part of what the chip did:
//! cuts between operations, no torn cells and no bits that read differently. Those are the business
//! of `outlast torture`.
//!
//! The emulator writes to the file a little later than the firmware acknowledges. So an
//! acknowledgement counts from the moment when the emulator was made to finish its writing. Until
//! then the change counts as in flight.

use std::collections::BTreeMap;
use std::env;
use std::fmt;
use std::ops::Range;
use std::path::Path;
use std::thread;
use std::time::{Duration, Instant};

use rand::rngs::ChaCha8Rng;
use rand::seq::IndexedRandom as _;
use rand::{RngExt as _, SeedableRng as _};

use crate::emulator::{Chip, Emulator};

type State = BTreeMap<String, String>;

const KEYS: [&str; 12] = [
    "gauge.datum",
    "gauge.every",
    "alarm.low",
    "alarm.high",
    "net.address",
    "net.lease",
    "radio.channel",
    "radio.power",
    "calibration.temperature.of.the.water.in.the.stilling.well.summer",
    "boot",
    "log.level",
    "owner",
];

/// A change, as typed.
#[derive(Debug)]
enum Change {
    Put(&'static str, String),
    Delete(&'static str),
    Commit(Vec<(&'static str, Option<String>)>),
    Clear,
    Tidy,
}

impl Change {
    fn random(random: &mut ChaCha8Rng) -> Self {
        match random.random_range(0..100) {
            0..55 => Self::Put(key(random), value(random)),
            55..70 => Self::Delete(key(random)),
            70..94 => Self::random_batch(random),
            94..99 => Self::Tidy,
            _ => Self::Clear,
        }
    }

    fn random_batch(random: &mut ChaCha8Rng) -> Self {
        let change = |_| (key(random), random.random_bool(0.8).then(|| digits(random, 1..20)));
        // It fits into a line even with the longest key five times.
        Self::Commit((0..5).map(change).collect())
    }

    fn line(&self) -> String {
        match self {
            Self::Put(key, value) => format!("put {key} {value}"),
            Self::Delete(key) => format!("delete {key}"),
            Self::Commit(changes) => {
                let words = changes.iter().map(|(key, value)| match value {
                    Some(value) => format!(" {key}={value}"),
                    None => format!(" -{key}"),
                });
                format!("commit{}", words.collect::<String>())
            }
            Self::Clear => "clear".into(),
            Self::Tidy => "tidy".into(),
        }
    }

    fn apply(&self, state: &mut State) {
        let mut set = |key: &str, value: Option<&String>| match value {
            Some(value) => drop(state.insert(key.into(), value.clone())),
            None => drop(state.remove(key)),
        };
        match self {
            Self::Put(key, value) => set(key, Some(value)),
            Self::Delete(key) => set(key, None),
            Self::Commit(changes) => {
                changes.iter().for_each(|(key, value)| set(key, value.as_ref()))
            }
            Self::Clear => state.clear(),
            Self::Tidy => {}
        }
    }
}

fn key(random: &mut ChaCha8Rng) -> &'static str {
    KEYS.choose(random).copied().unwrap_or("owner")
}

/// Mostly short, sometimes longer than a page.
fn value(random: &mut ChaCha8Rng) -> String {
    let long = random.random_bool(0.1);
    digits(random, if long { 250..400 } else { 1..20 })
}

/// Digits only: the last line of an answer never looks like that.
fn digits(random: &mut ChaCha8Rng, len: Range<usize>) -> String {
    let len = random.random_range(len);
    (0..len).map(|_| char::from(random.random_range(b'0'..=b'9'))).collect()
}

/// What the chip may hold, and what was seen so far.
struct Cuts<'f> {
    firmware: &'f Path,
    chip: Chip,
    random: ChaCha8Rng,
    /// What was acknowledged.
    certain: State,
    /// Sent and not acknowledged when the power was cut, and whether the chip had changed by then.
    in_flight: Option<(Change, bool)>,
    /// How long an answer takes.
    usual: Duration,
    seen: Seen,
}

#[derive(Debug, Default)]
struct Seen {
    lives: u32,
    acknowledged: u32,
    /// Cuts while the firmware started.
    starting: u32,
    /// Cuts before the change in flight reached the chip.
    untouched: u32,
    /// Cuts after some of the operations of a change, which was then found not made.
    midway: u32,
    /// Cuts after which the change was found made.
    made: u32,
}

impl fmt::Display for Seen {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let times = |n| if n == 1 { "once".into() } else { format!("{n} times") };
        let Self { lives, acknowledged, .. } = self;
        let [starting, untouched, midway, made] =
            [self.starting, self.untouched, self.midway, self.made].map(times);
        write!(
            f,
            "{lives} lives, {acknowledged} changes acknowledged; cut {starting} at the start, \
             {untouched} before the change reached the chip, {midway} during the write, {made} after it"
        )
    }
}

impl Cuts<'_> {
    /// From a start to a cut.
    fn life(&mut self) -> Result<(), String> {
        self.seen.lives += 1;
        let mut emulator = Emulator::start(self.firmware, &self.chip)?;
        // The chip is identified, so the store is opened next.
        emulator.line_with("flash chip")?;
        if self.random.random_ratio(1, 6) {
            thread::sleep(Duration::from_micros(self.random.random_range(0..8_000)));
            self.seen.starting += 1;
            return emulator.kill();
        }
        self.look(&mut emulator)?;
        for _ in 0..self.random.random_range(0..25) {
            let change = Change::random(&mut self.random);
            let start = Instant::now();
            let answer = emulator.ask(&change.line())?;
            self.usual = (self.usual * 7 + start.elapsed()) / 8;
            self.acknowledge(&mut emulator, &change, &answer)?;
        }
        // A batch takes several programs, so it has more places to cut.
        let change = if self.random.random_bool(0.6) {
            Change::random_batch(&mut self.random)
        } else {
            Change::random(&mut self.random)
        };
        let before = self.chip.settings()?;
        emulator.send(&change.line())?;
        if self.random.random_bool(0.8) {
            // The echo ends when the line is complete, and the work on the chip follows.
            emulator.line_with("> ")?;
        }
        thread::sleep(self.usual.mul_f64(self.random.random_range(0.0..0.5)));
        emulator.kill()?;
        self.in_flight = Some((change, self.chip.settings()? != before));
        Ok(())
    }

    fn last_look(&mut self) -> Result<(), String> {
        self.look(&mut Emulator::start(self.firmware, &self.chip)?)
    }

    /// Reads everything and compares it with what is allowed.
    fn look(&mut self, emulator: &mut Emulator) -> Result<(), String> {
        emulator.line_with("ready")?;
        let mut found = State::new();
        for line in emulator.expect_ok("list")? {
            let (key, _) = line.split_once(' ').ok_or_else(|| format!("list: {line}"))?;
            let value = emulator.expect_ok(&format!("get {key}"))?;
            found.insert(key.into(), value.concat());
        }
        emulator.drain()?;
        self.judge(found)
    }

    fn acknowledge(
        &mut self,
        emulator: &mut Emulator,
        change: &Change,
        answer: &[String],
    ) -> Result<(), String> {
        let missing = matches!(change, Change::Delete(key) if !self.certain.contains_key(*key));
        let expected = if missing { "error: there is no such key" } else { "ok" };
        if answer != [expected] {
            return Err(format!("{change:?}: expected {expected:?}, got {answer:?}"));
        }
        emulator.drain()?;
        change.apply(&mut self.certain);
        self.seen.acknowledged += 1;
        Ok(())
    }

    /// What was acknowledged must be there, and the change in flight wholly or not at all.
    fn judge(&mut self, found: State) -> Result<(), String> {
        let Some((change, reached)) = self.in_flight.take() else {
            return same(&self.certain, &found);
        };
        let mut with = self.certain.clone();
        change.apply(&mut with);
        if with == self.certain {
            return same(&self.certain, &found);
        }
        if found == with {
            self.seen.made += 1;
            self.certain = with;
            return Ok(());
        }
        same(&self.certain, &found).map_err(|why| format!("{why}\nin flight: {change:?}"))?;
        *(if reached { &mut self.seen.midway } else { &mut self.seen.untouched }) += 1;
        Ok(())
    }
}

fn same(certain: &State, found: &State) -> Result<(), String> {
    if certain == found {
        return Ok(());
    }
    Err(format!("acknowledged: {certain:#?}\nfound: {found:#?}"))
}

fn number(name: &str, default: u64) -> u64 {
    env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(default)
}

/// `OUTLAST_LIVES` sets the number of lives, and `OUTLAST_SEED` chooses different ones.
pub(crate) fn run(firmware: &Path) -> Result<(), String> {
    let (lives, seed) = (number("OUTLAST_LIVES", 60), number("OUTLAST_SEED", 1));
    let mut cuts = Cuts {
        firmware,
        chip: Chip::new("cuts")?,
        random: ChaCha8Rng::seed_from_u64(seed),
        certain: State::new(),
        in_flight: None,
        usual: Duration::from_millis(2),
        seen: Seen::default(),
    };
    for life in 0..=lives {
        // After the last cut the chip is only read.
        let end = if life == lives { cuts.last_look() } else { cuts.life() };
        if let Err(why) = end {
            let path = cuts.chip.keep();
            return Err(format!("life {life} of seed {seed}: {why}\nthe chip: {}", path.display()));
        }
    }
    let seen = &cuts.seen;
    println!("{seen}");
    if lives >= 60 && (seen.untouched + seen.midway == 0 || seen.made == 0 || seen.starting == 0) {
        return Err("the cuts did not hit what they were meant to hit".into());
    }
    if cuts.chip.rest_is_untouched()? { Ok(()) } else { Err("something else was changed".into()) }
}
