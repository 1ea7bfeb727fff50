//! What became of the settings, in classes.

use std::fmt;

use outlast_kvstore::Error;
use rayon::prelude::*;

use crate::api::{self, Failed, Session};
use crate::flash::Ram;
use crate::life::{KEYS, Past, Values};

/// What became of the settings, from good to bad.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Outcome {
    /// All settings are there.
    Right,
    /// The last change is undone, where the format says that it may be.
    Excepted,
    /// Some value is lost, and the store says so.
    Told,
    /// Some value cannot be read, or its name is not listed, for another reason.
    Lost,
    /// More than one value is lost, although one place is damaged.
    Spread,
    /// A change said that it was made, and could not be read right after that.
    Unstored,
    /// A name that was never written is listed.
    Foreign,
    /// The answer of a call that changes something was wrong.
    Misled,
    /// Silent: an older value.
    Older,
    /// Silent: nothing, although the setting exists.
    Nothing,
    /// Silent: the last value of a deleted key.
    Revived,
    /// A value that was never written.
    Invented,
    /// The store does not open.
    Refused,
    /// Another answer at the next mount, with nothing changed in between.
    Changed,
    /// The store takes no changes, or loses those that it takes.
    Stuck,
}

const OUTCOMES: [Outcome; 15] = [
    Outcome::Right,
    Outcome::Excepted,
    Outcome::Told,
    Outcome::Lost,
    Outcome::Spread,
    Outcome::Unstored,
    Outcome::Foreign,
    Outcome::Misled,
    Outcome::Older,
    Outcome::Nothing,
    Outcome::Revived,
    Outcome::Invented,
    Outcome::Refused,
    Outcome::Changed,
    Outcome::Stuck,
];

/// How many runs had each outcome.
#[derive(Clone, Debug, Default)]
pub(crate) struct Score {
    counts: [u64; OUTCOMES.len()],
    /// The first example of each outcome.
    examples: [Option<String>; OUTCOMES.len()],
}

impl Score {
    pub(crate) fn note(&mut self, outcome: Outcome, example: impl FnOnce() -> String) {
        let class = outcome as usize;
        self.counts[class] += 1;
        if outcome > Outcome::Right {
            self.examples[class].get_or_insert_with(example);
        }
    }

    pub(crate) fn plus(mut self, other: Self) -> Self {
        for (count, more) in self.counts.iter_mut().zip(other.counts) {
            *count += more;
        }
        for (example, more) in self.examples.iter_mut().zip(other.examples) {
            *example = example.take().or(more);
        }
        self
    }

    /// Adds up the scores of many cases, on all cores.
    pub(crate) fn of<T: Sync>(cases: &[T], judge: impl Fn(&T) -> Self + Send + Sync) -> Self {
        cases.par_iter().map(judge).reduce(Self::default, Self::plus)
    }

    /// # Panics
    /// If there were no runs, or one with a worse outcome than this.
    pub(crate) fn assert_none_worse_than(&self, allowed: Outcome) {
        self.assert_few_worse_than(allowed, 0.0);
    }

    /// For what is not always reached. The pages of the project state these limits.
    ///
    /// # Panics
    /// If there were no runs, or a larger share of them with a worse outcome than this.
    pub(crate) fn assert_few_worse_than(&self, allowed: Outcome, share: f64) {
        let runs = self.counts.iter().sum::<u64>();
        assert!(runs > 0, "no runs");
        let worse = || OUTCOMES.iter().filter(|outcome| **outcome > allowed);
        let bad: u64 = worse().map(|outcome| self.counts[*outcome as usize]).sum();
        let examples = worse().filter_map(|outcome| self.examples[*outcome as usize].clone());
        let examples: Vec<_> = examples.collect();
        assert!(
            bad as f64 <= share * runs as f64,
            "{bad} of {runs} runs are worse than {allowed:?}:\n{}",
            examples.join("\n")
        );
    }

    /// # Panics
    /// If a run was neither right nor had this outcome.
    pub(crate) fn assert_right_or(&self, other: Outcome) {
        let known = self.counts[Outcome::Right as usize] + self.counts[other as usize];
        assert_eq!(known, self.counts.iter().sum::<u64>(), "{:?}", self.examples);
    }
}

impl fmt::Display for Score {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} runs", self.counts.iter().sum::<u64>())?;
        for (outcome, count) in OUTCOMES.iter().zip(self.counts) {
            if count > 0 || *outcome == Outcome::Right {
                write!(f, ", {outcome:?} {count}")?;
            }
        }
        Ok(())
    }
}

/// What the store says about one key.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Answer {
    Value(Option<Vec<u8>>),
    Corrupt,
    Failed,
}

/// What a mount says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Answers {
    values: [Answer; KEYS.len()],
    /// Which keys are listed. None if the listing reports damage.
    listed: Option<[bool; KEYS.len()]>,
    /// Names that no life writes.
    foreign: usize,
    doubtful: [bool; KEYS.len()],
}

impl Answers {
    /// Reads everything from an open store.
    pub(crate) fn of(session: &mut (dyn Session + '_)) -> Self {
        let values = KEYS.map(|key| match session.get(key) {
            Ok(value) => Answer::Value(value),
            Err(Error::Corrupt) => Answer::Corrupt,
            Err(_) => Answer::Failed,
        });
        let names = session.names();
        let is_known = |name: &[u8]| KEYS.iter().any(|key| key.as_bytes() == name);
        let foreign = names.iter().flatten().filter(|name| !is_known(name)).count();
        let listed =
            names.ok().map(|names| KEYS.map(|key| names.iter().any(|n| n == key.as_bytes())));
        Self { values, listed, foreign, doubtful: KEYS.map(|key| session.is_doubtful(key)) }
    }

    pub(crate) fn at_mount(ram: &Ram) -> Result<Self, Failed> {
        ram.power_up();
        Ok(Self::of(&mut *api::open(ram)?))
    }

    /// Whether these are exactly the answers that belong to the values.
    pub(crate) fn are(&self, values: &Values) -> bool {
        self.lost(values) == 0 && self.foreign == 0 && self.lists(values)
    }

    /// How many answers are not right.
    pub(crate) fn lost(&self, values: &Values) -> usize {
        let answered = self.values.iter().zip(values);
        answered
            .filter(|(answer, value)| !matches!(answer, Answer::Value(v) if v == *value))
            .count()
    }

    fn lists(&self, values: &Values) -> bool {
        self.listed.is_some_and(|listed| listed.iter().zip(values).all(|(l, v)| *l == v.is_some()))
    }

    /// The class of the worst answer.
    pub(crate) fn class(&self, values: &Values, past: &Past) -> Outcome {
        let classes = self.values.iter().zip(&self.doubtful).zip(values).zip(past).map(
            |(((answer, doubtful), value), past)| {
                let silent = match (answer, value) {
                    (Answer::Corrupt, _) => return Outcome::Told,
                    (Answer::Failed, _) => return Outcome::Lost,
                    (Answer::Value(answer), value) if answer == value => return Outcome::Right,
                    (Answer::Value(None), _) => Outcome::Nothing,
                    (Answer::Value(Some(answer)), _) if !past.contains(answer) => {
                        return Outcome::Invented;
                    }
                    (_, None) => Outcome::Revived,
                    _ => Outcome::Older,
                };
                if *doubtful { Outcome::Told } else { silent }
            },
        );
        let worst = classes.max().unwrap_or(Outcome::Right);
        let listing = match self.listed {
            _ if self.foreign > 0 => Outcome::Foreign,
            None => Outcome::Told,
            Some(_) if worst == Outcome::Right && !self.lists(values) => Outcome::Lost,
            Some(_) => Outcome::Right,
        };
        worst.max(listing)
    }
}

/// What is known about the settings before they are judged.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Known<'v> {
    /// Any of these is right: more than one if a change may have been made or not.
    pub(crate) right: &'v [&'v Values],
    /// So are these, as an exception.
    pub(crate) excepted: &'v [&'v Values],
    pub(crate) past: &'v Past,
}

impl Known<'_> {
    pub(crate) fn class(&self, answers: &Answers) -> Outcome {
        let classes = self.right.iter().map(|values| answers.class(values, self.past));
        let class = classes.min().unwrap_or(Outcome::Invented);
        if class > Outcome::Right && self.excepted.iter().any(|values| answers.are(values)) {
            return Outcome::Excepted;
        }
        class
    }

    /// Mounts twice, and judges what is read. With `changes` the store must also take some
    /// changes, and show them at a next mount without harm to anything else.
    pub(crate) fn judge(&self, ram: &Ram, changes: bool) -> Outcome {
        let Ok(first) = Answers::at_mount(ram) else { return Outcome::Refused };
        let class = self.class(&first);
        match Answers::at_mount(ram) {
            Err(_) => return Outcome::Refused,
            Ok(second) if second != first => return Outcome::Changed,
            Ok(_) => {}
        }
        if changes && !takes_changes(ram, &first) {
            return class.max(Outcome::Stuck);
        }
        class
    }
}

/// Whether changes are stored and everything else stays. They reach places that a mount does not
/// look at closely.
fn takes_changes(ram: &Ram, before: &Answers) -> bool {
    let Ok(mut session) = api::open(ram) else { return false };
    let mut last = Vec::new();
    for n in 0..12 {
        last = vec![n; 10];
        let stored = session.put(KEYS[0], &last);
        if stored.is_err() || session.get(KEYS[0]) != Ok(Some(last.clone())) {
            return false;
        }
    }
    drop(session);
    let Ok(after) = Answers::at_mount(ram) else { return false };
    after.values[0] == Answer::Value(Some(last)) && after.values[1..] == before.values[1..]
}
