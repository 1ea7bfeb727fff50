//! Coverage of a run: where the power was cut, and what kinds of tear that left.

use serde::{Deserialize, Serialize};

use crate::part::{Step, Tear, TearLabel};
use crate::subject::OpKind;

/// What was interrupted by a power cut.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Place {
    /// Coming up on a part that was never cut.
    FirstStart,
    /// An operation of this kind, before any other cut or after one in a random life.
    Put,
    /// See [`Place::Put`].
    Delete,
    /// See [`Place::Put`].
    Batch,
    /// See [`Place::Put`].
    Clear,
    /// See [`Place::Put`].
    Tidy,
    /// Coming up after an orderly restart.
    Reopen,
    /// Coming up after a cut.
    Recovery,
    /// An operation shortly after such a recovery, in the systematic stages.
    AfterRecovery,
    /// Between two operations.
    Between,
}

impl Place {
    /// All places, in the order of a report.
    pub const ALL: [Self; 10] = [
        Self::FirstStart,
        Self::Put,
        Self::Delete,
        Self::Batch,
        Self::Clear,
        Self::Tidy,
        Self::Reopen,
        Self::Recovery,
        Self::AfterRecovery,
        Self::Between,
    ];

    /// A word or two for a report.
    pub const fn words(self) -> &'static str {
        match self {
            Self::FirstStart => "first start",
            Self::Put => "put",
            Self::Delete => "delete",
            Self::Batch => "batch",
            Self::Clear => "clear",
            Self::Tidy => "tidy",
            Self::Reopen => "reopen",
            Self::Recovery => "recovery",
            Self::AfterRecovery => "after recovery",
            Self::Between => "between operations",
        }
    }
}

impl From<OpKind> for Place {
    fn from(kind: OpKind) -> Self {
        match kind {
            OpKind::Put => Self::Put,
            OpKind::Delete => Self::Delete,
            OpKind::Batch => Self::Batch,
            OpKind::Clear => Self::Clear,
            OpKind::Tidy => Self::Tidy,
            OpKind::Reopen => Self::Reopen,
        }
    }
}

/// Coverage of one place.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Line {
    /// What was cut.
    pub place: Place,
    /// Cut points there that the plan has; 0 where they are drawn at random.
    pub planned: u64,
    /// How many of them were worked through to the end.
    pub done: u64,
    /// Cuts made there by kind of tear; kinds that did not occur are left out.
    pub tears: Vec<(String, u64)>,
}

/// How often the power was cut at each place, and how the step was torn.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(into = "Vec<Line>", from = "Vec<Line>")]
pub struct Coverage {
    tears: [[u64; TearLabel::ALL.len()]; Place::ALL.len()],
    planned: [u64; Place::ALL.len()],
    done: [u64; Place::ALL.len()],
}

impl Coverage {
    /// Cuts of this kind made there.
    pub fn cuts(&self, place: Place, class: TearLabel) -> u64 {
        self.tears[place as usize][class as usize]
    }

    /// Cut points planned there, and those of them worked through to the end.
    pub fn points(&self, place: Place) -> (u64, u64) {
        (self.planned[place as usize], self.done[place as usize])
    }

    pub(crate) fn note(&mut self, place: Place, step: Option<&Step>, tear: &Tear) {
        self.tears[place as usize][TearLabel::of(step, tear) as usize] += 1;
    }

    pub(crate) fn point(&mut self, place: Place, done: bool) {
        self.planned[place as usize] += 1;
        self.done[place as usize] += u64::from(done);
    }

    /// Adds the coverage of another run.
    pub fn add(&mut self, other: &Self) {
        let sums = self.tears.iter_mut().flatten().chain(&mut self.planned).chain(&mut self.done);
        let more = other.tears.iter().flatten().chain(&other.planned).chain(&other.done);
        sums.zip(more).for_each(|(sum, more)| *sum += more);
    }
}

impl From<Coverage> for Vec<Line> {
    fn from(coverage: Coverage) -> Self {
        let lines = Place::ALL.into_iter().map(|place| {
            let (planned, done) = coverage.points(place);
            let tears = TearLabel::ALL.into_iter().filter_map(|class| {
                let cuts = coverage.cuts(place, class);
                (cuts > 0).then(|| (class.to_string(), cuts))
            });
            Line { place, planned, done, tears: tears.collect() }
        });
        lines.filter(|line| line.planned > 0 || !line.tears.is_empty()).collect()
    }
}

/// Kinds of tear that this version does not know are dropped.
impl From<Vec<Line>> for Coverage {
    fn from(lines: Vec<Line>) -> Self {
        let mut coverage = Self::default();
        for line in lines {
            let place = line.place as usize;
            coverage.planned[place] += line.planned;
            coverage.done[place] += line.done;
            for (words, cuts) in line.tears {
                let class = TearLabel::ALL.into_iter().find(|class| class.to_string() == words);
                if let Some(class) = class {
                    coverage.tears[place][class as usize] += cuts;
                }
            }
        }
        coverage
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn indices_follow_the_lists() {
        assert!(Place::ALL.iter().enumerate().all(|(index, place)| *place as usize == index));
        assert!(TearLabel::ALL.iter().enumerate().all(|(index, class)| *class as usize == index));
    }

    #[test]
    fn lines_keep_the_numbers() {
        let mut coverage = Coverage::default();
        let step = Step::Erase { sector: 1 };
        coverage.note(Place::Put, Some(&step), &Tear::NOTHING);
        coverage.note(Place::Between, None, &Tear::NOTHING);
        coverage.point(Place::Put, true);
        coverage.point(Place::Put, false);
        let mut twice = coverage.clone();
        twice.add(&coverage);
        assert_eq!(twice.cuts(Place::Put, TearLabel::EraseNothing), 2);
        assert_eq!(twice.points(Place::Put), (4, 2));
        assert_eq!(Coverage::from(Vec::<Line>::from(twice.clone())), twice);
    }
}
