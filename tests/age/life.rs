//! The life of a device: changes, power-ups, and the plain model of its settings.

use std::collections::BTreeSet;
use std::mem;

use outlast_kvstore::{Change, Error, Found, Ids};
use rand::RngExt as _;
use rand::rngs::ChaCha8Rng;

use crate::api::{self, AHEAD, Failed, Session};
use crate::flash::Ram;
use crate::shape::Shape;

/// The names of all settings. One is longer than what is read at once, three are counters.
pub(crate) const KEYS: [&str; 8] = [
    "a",
    "radio.channel",
    "net.address.of.the.gateway.at.home",
    "name",
    "volume",
    "boots",
    "lamp.hours",
    "serial",
];
const PLAIN: usize = 5;
pub(crate) const COUNTERS: [usize; 2] = [5, 6];
/// The key of the source of numbers.
pub(crate) const IDS: usize = 7;

/// What each key holds.
pub(crate) type Values = [Option<Vec<u8>>; KEYS.len()];

/// One step of a life. Keys are places in [`KEYS`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Op {
    Put(usize, Vec<u8>),
    Delete(usize),
    Commit(Vec<(usize, Option<Vec<u8>>)>),
    Tick(usize),
    NextId,
    Tidy,
    Rest,
    PowerUp,
}

/// How often which step comes. A weight of 0 leaves it out.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Mix {
    pub(crate) puts: u32,
    pub(crate) deletes: u32,
    pub(crate) commits: u32,
    pub(crate) counts: u32,
    pub(crate) tidies: u32,
    pub(crate) power_ups: u32,
    /// Whether values are long enough to reach over several pages.
    pub(crate) long: bool,
}

impl Mix {
    pub(crate) const PUTS: Self =
        Self { puts: 1, deletes: 0, commits: 0, counts: 0, tidies: 0, power_ups: 0, long: false };
    pub(crate) const ALL: Self =
        Self { puts: 6, deletes: 2, commits: 2, counts: 6, tidies: 1, power_ups: 2, long: false };

    /// Draws a step. Before a planned power-up the store rests half of the time.
    pub(crate) fn draw(&self, rng: &mut ChaCha8Rng, shape: Shape) -> Vec<Op> {
        let Self { puts, deletes, commits, counts, tidies, power_ups, long } = *self;
        let new =
            |rng: &mut ChaCha8Rng| if long { long_value(rng, shape) } else { value(rng, shape) };
        let mut left = rng.random_range(0..puts + deletes + commits + counts + tidies + power_ups);
        let mut is = |weight: u32| {
            let chosen = left < weight;
            left = left.wrapping_sub(if chosen { 0 } else { weight });
            chosen
        };
        if is(puts) {
            vec![Op::Put(rng.random_range(0..PLAIN), new(rng))]
        } else if is(deletes) {
            vec![Op::Delete(rng.random_range(0..PLAIN))]
        } else if is(commits) {
            let first = rng.random_range(0..PLAIN);
            let keys = (first..first + rng.random_range(2..4_usize)).map(|key| key % PLAIN);
            let changes = keys.map(|key| (key, rng.random_bool(0.8).then(|| new(rng))));
            vec![Op::Commit(changes.collect())]
        } else if is(counts) {
            match rng.random_range(0..3_usize) {
                2 => vec![Op::NextId],
                counter => vec![Op::Tick(COUNTERS[counter])],
            }
        } else if is(tidies) {
            vec![Op::Tidy]
        } else if rng.random_bool(0.5) {
            vec![Op::Rest, Op::PowerUp]
        } else {
            vec![Op::PowerUp]
        }
    }
}

/// A value that no other put stores, and that leaves the smallest store half empty.
pub(crate) fn value(rng: &mut ChaCha8Rng, shape: Shape) -> Vec<u8> {
    random_bytes(rng, (shape.sector / 48).min(40))
}

/// The same for values that reach over several pages, where pages are small.
fn long_value(rng: &mut ChaCha8Rng, shape: Shape) -> Vec<u8> {
    random_bytes(rng, shape.sector / 14)
}

fn random_bytes(rng: &mut ChaCha8Rng, most: usize) -> Vec<u8> {
    let len = rng.random_range(4..most.max(5));
    (0..len).map(|_| rng.random()).collect()
}

/// The count that is stored as a value.
pub(crate) fn count_in(value: Option<&Vec<u8>>) -> u64 {
    let bytes = value.and_then(|value| value[..].try_into().ok());
    bytes.map_or(0, u64::from_le_bytes)
}

/// A device, and what its settings must be.
pub(crate) struct Life<'r> {
    pub(crate) ram: &'r Ram,
    session: Option<Box<dyn Session + 'r>>,
    ids: Option<Ids<AHEAD>>,
    /// The next number of the source, and the first that is not reserved.
    numbers: Option<(u64, u64)>,
    pub(crate) now: Values,
    /// What they were before the last step.
    pub(crate) before: Values,
    pub(crate) past: Past,
    /// How often a call that changes something gave a wrong answer.
    pub(crate) wrong_answers: u32,
}

/// Every value that each key ever had before its last one.
pub(crate) type Past = [BTreeSet<Vec<u8>>; KEYS.len()];

impl<'r> Life<'r> {
    pub(crate) fn new(ram: &'r Ram) -> Self {
        Self {
            ram,
            session: None,
            ids: None,
            numbers: None,
            now: Values::default(),
            before: Values::default(),
            past: Past::default(),
            wrong_answers: 0,
        }
    }

    /// Goes on with a device whose settings are known.
    pub(crate) fn resume(ram: &'r Ram, now: &Values, past: &Past) -> Self {
        Self { now: now.clone(), before: now.clone(), past: past.clone(), ..Self::new(ram) }
    }

    /// Switches the power off, and on again.
    pub(crate) fn power_up(&mut self) -> Result<(), Failed> {
        self.session = None;
        (self.ids, self.numbers) = (None, None);
        self.before = self.now.clone();
        self.ram.power_up();
        self.session = Some(api::open(self.ram)?);
        Ok(())
    }

    /// The first power-up. Where the flash is neither blank nor a store, as with a cell that reads
    /// 0, the firmware makes a new store.
    pub(crate) fn begin(&mut self) -> Result<(), Failed> {
        let opened = self.power_up();
        if opened == Err(Error::NotAStore(Found::ForeignData)) {
            self.session = Some(api::format(self.ram)?);
            return Ok(());
        }
        opened
    }

    /// Opens the store again without a power-up, as after an error of the flash.
    pub(crate) fn reopen(&mut self) -> Result<(), Failed> {
        self.session = None;
        (self.ids, self.numbers) = (None, None);
        self.session = Some(api::open(self.ram)?);
        Ok(())
    }

    /// The open store.
    ///
    /// # Panics
    /// If it is not open.
    pub(crate) fn session(&mut self) -> &mut (dyn Session + 'r) {
        self.session.as_deref_mut().expect("an open store")
    }

    /// What the settings are after a step.
    pub(crate) fn after(&self, op: &Op) -> Values {
        let mut after = self.now.clone();
        match op {
            Op::Put(key, value) => after[*key] = Some(value.clone()),
            Op::Delete(key) => after[*key] = None,
            Op::Commit(changes) => {
                for (key, value) in changes {
                    after[*key].clone_from(value);
                }
            }
            Op::Tick(key) => {
                let count = count_in(self.now[*key].as_ref()) + 1;
                after[*key] = Some(count.to_le_bytes().to_vec());
            }
            Op::NextId => {
                let (next, end) = self.source();
                if next >= end {
                    after[IDS] = Some((next + u64::from(AHEAD)).to_le_bytes().to_vec());
                }
            }
            Op::Tidy | Op::Rest | Op::PowerUp => {}
        }
        after
    }

    fn source(&self) -> (u64, u64) {
        let stored = count_in(self.now[IDS].as_ref());
        self.numbers.unwrap_or((stored, stored))
    }

    /// Takes a step, and the model with it if the store says that it worked.
    pub(crate) fn apply(&mut self, op: &Op) -> Result<(), Failed> {
        if *op == Op::PowerUp {
            return self.power_up();
        }
        let after = self.after(op);
        self.call(op)?;
        self.accept(after);
        Ok(())
    }

    /// The settings are now known to be these.
    pub(crate) fn accept(&mut self, after: Values) {
        for ((old, new), past) in self.now.iter().zip(&after).zip(&mut self.past) {
            if let Some(old) = old
                && Some(old) != new.as_ref()
            {
                past.insert(old.clone());
            }
        }
        self.before = mem::replace(&mut self.now, after);
    }

    /// Makes the call, and checks what it says. The model stays as it was.
    fn call(&mut self, op: &Op) -> Result<(), Failed> {
        let (next, end) = self.source();
        let mut ids = self.ids.take();
        let session = self.session.as_deref_mut().expect("an open store");
        let expected = match op {
            Op::Delete(key) => u64::from(self.now[*key].is_some()),
            Op::Tick(key) => count_in(self.now[*key].as_ref()) + 1,
            Op::NextId => next,
            _ => 0,
        };
        let said = match op {
            Op::Put(key, value) => session.put(KEYS[*key], value).map(|()| 0),
            Op::Delete(key) => session.delete(KEYS[*key]).map(u64::from),
            Op::Commit(changes) => {
                let changes = changes.iter().map(|(key, value)| match value {
                    Some(value) => Change::put(KEYS[*key], value),
                    None => Change::delete(KEYS[*key]),
                });
                session.commit(&changes.collect::<Vec<_>>()).map(|()| 0)
            }
            Op::Tick(key) => session.tick(KEYS[*key]),
            Op::NextId => session.next_id(&mut ids, KEYS[IDS]),
            Op::Tidy => session.tidy().map(|()| 0),
            Op::Rest => session.rest().map(|()| 0),
            Op::PowerUp => unreachable!("not a call"),
        };
        self.ids = ids;
        let said = said?;
        self.wrong_answers += u32::from(said != expected);
        if *op == Op::NextId {
            let end = if next < end { end } else { next + u64::from(AHEAD) };
            self.numbers = Some((next + 1, end));
        }
        Ok(())
    }

    /// Gives every setting a new value, so that all are known.
    pub(crate) fn write_all(&mut self, rng: &mut ChaCha8Rng) -> Result<(), Failed> {
        for (key, name) in KEYS.iter().enumerate() {
            if key < PLAIN {
                self.apply(&Op::Put(key, value(rng, self.ram.shape)))?;
            } else {
                let count = 1000_u64.to_le_bytes();
                self.session().put(name, &count)?;
                self.now[key] = Some(count.to_vec());
            }
        }
        Ok(())
    }

    /// Takes a step that a full store may refuse: then nothing changes.
    ///
    /// # Panics
    /// If it fails for another reason, or the answer is wrong.
    pub(crate) fn live(&mut self, op: &Op) {
        match self.apply(op) {
            Ok(()) | Err(Error::Full | Error::TooLarge) => {}
            Err(error) => panic!("{:?}, {op:?}: {error}", self.ram.shape),
        }
        assert_eq!(self.wrong_answers, 0, "{:?}, {op:?}", self.ram.shape);
    }
}
