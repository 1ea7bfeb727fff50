//! A life on a flash that fails: what must hold at each step.

use outlast_kvstore::Error;

use crate::history::is_in_unproven_count;
use crate::life::{KEYS, Life, Op, Values};
use crate::outcome::{Answers, Known, Outcome};

/// A life, and what went wrong in it so far.
pub(crate) struct Trial<'r> {
    pub(crate) life: Life<'r>,
    /// Whether the store must take changes whatever fails.
    pub(crate) must_be_writable: bool,
    pub(crate) worst: Outcome,
    /// Changes that failed at first, and were made after the store was opened again.
    pub(crate) repeated: u64,
    /// The cell that may be wrong.
    pub(crate) bad_bit: Option<usize>,
    /// How often the last change was undone where the format says that it may be.
    pub(crate) excepted: u64,
}

impl<'r> Trial<'r> {
    pub(crate) fn new(life: Life<'r>, must_be_writable: bool) -> Self {
        Self {
            life,
            must_be_writable,
            worst: Outcome::Right,
            repeated: 0,
            bad_bit: None,
            excepted: 0,
        }
    }

    /// Whether the life goes on.
    const fn note(&mut self, outcome: Outcome) -> bool {
        if outcome as u8 > self.worst as u8 {
            self.worst = outcome;
        }
        outcome as u8 == Outcome::Right as u8
    }

    /// What the open store says, if any of these is right.
    fn class(&mut self, right: &[&Values], excepted: &[&Values]) -> Outcome {
        let answers = Answers::of(self.life.session());
        Known { right, excepted, past: &self.life.past }.class(&answers)
    }

    /// The first power-up.
    pub(crate) fn begin(&mut self) -> bool {
        let begun = self.life.begin().is_ok();
        self.note(if begun { Outcome::Right } else { Outcome::Refused })
    }

    /// Switches the power off and on. Everything must be there.
    pub(crate) fn power_up(&mut self) -> bool {
        let (now, before) = (self.life.now.clone(), self.life.before.clone());
        // A cell that fades shows it only now, and the mount may program something.
        self.life.ram.power_up();
        let is_excepted = self.bad_bit.is_some_and(|bit| self.is_in_unproven_count(bit));
        if self.life.power_up().is_err() {
            return self.note(Outcome::Refused);
        }
        let excepted = if is_excepted { &[&before][..] } else { &[] };
        let class = self.class(&[&now], excepted);
        if class == Outcome::Excepted {
            self.life.accept(before);
            self.excepted += 1;
            return true;
        }
        self.note(class)
    }

    /// Whether a cell that reads 1 may undo the last change.
    fn is_in_unproven_count(&self, bit: usize) -> bool {
        let mut image = self.life.ram.image();
        let is_set = image.is_set(bit);
        image.flip(bit);
        is_set && is_in_unproven_count(image.bytes(), &image.last_program(), bit)
    }

    /// Takes a step. False if the life is over.
    pub(crate) fn step(&mut self, op: &Op) -> bool {
        if *op == Op::PowerUp {
            return self.power_up();
        }
        let after = self.life.after(op);
        match self.life.apply(op) {
            Ok(()) => self.read_back(op),
            Err(Error::Full | Error::TooLarge) => true,
            Err(_) => self.repeat(op, &after),
        }
    }

    /// After a change that says that it was made, it can be read.
    fn read_back(&mut self, op: &Op) -> bool {
        let Op::Put(key, value) = op else { return true };
        let is_there = self.life.session().get(KEYS[*key]) == Ok(Some(value.clone()));
        self.note(if is_there { Outcome::Right } else { Outcome::Unstored })
    }

    /// After a change that failed, everything can be read, and the change can be made.
    fn repeat(&mut self, op: &Op, after: &Values) -> bool {
        let now = self.life.now.clone();
        let class = self.class(&[&now, after], &[]);
        if !self.note(class) {
            return false;
        }
        if self.life.reopen().is_err() {
            return self.note(Outcome::Refused);
        }
        let class = self.class(&[&now, after], &[]);
        if !self.note(class) {
            return false;
        }
        if Answers::of(self.life.session()).are(after) {
            self.life.accept(after.clone());
            return true;
        }
        self.repeated += 1;
        match self.life.apply(op) {
            Ok(()) => self.read_back(op),
            Err(Error::Full | Error::TooLarge) => true,
            Err(_) if self.must_be_writable => self.note(Outcome::Stuck),
            Err(_) => {
                self.power_up();
                false
            }
        }
    }
}
