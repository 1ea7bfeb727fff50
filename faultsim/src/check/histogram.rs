//! How much work power-ups take: not only the worst case, but the distribution.

use serde::{Deserialize, Serialize};

use crate::subject::Work;

/// Each number up to this one has a class to itself; above it, a class reaches to the next power of
/// two.
const EXACT: u64 = 8;
/// The last class is open; no power-up makes a million calls.
const CLASSES: usize = 27;

/// How often something was done N times, for each class of N.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(into = "Vec<Class>", from = "Vec<Class>")]
pub struct Histogram([u64; CLASSES]);

/// One class of a [`Histogram`] that occurred.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Class {
    /// Smallest number in the class.
    pub from: u64,
    /// Largest number in the class.
    pub to: u64,
    /// How often it occurred.
    pub count: u64,
}

fn class_of(number: u64) -> usize {
    let index = if number <= EXACT {
        number
    } else {
        // The class 9..=16 follows the exact ones.
        EXACT + 1 + u64::from((number - 1).ilog2()) - u64::from(EXACT.ilog2())
    };
    usize::try_from(index).unwrap_or(CLASSES).min(CLASSES - 1)
}

fn bounds_of(class: usize) -> (u64, u64) {
    let class = class as u64;
    if class <= EXACT {
        (class, class)
    } else {
        let power = class - EXACT - 1 + u64::from(EXACT.ilog2());
        ((1 << power) + 1, 1 << (power + 1))
    }
}

impl Histogram {
    /// Counts one more.
    pub fn note(&mut self, number: u64) {
        self.0[class_of(number)] += 1;
    }

    /// Adds another one.
    pub fn add(&mut self, other: &Self) {
        self.0.iter_mut().zip(&other.0).for_each(|(sum, more)| *sum += more);
    }

    /// The classes that occurred, smallest number first.
    pub fn classes(&self) -> Vec<Class> {
        let counted = self.0.iter().enumerate().filter(|(_, count)| **count > 0);
        counted
            .map(|(index, &count)| {
                let (from, to) = bounds_of(index);
                Class { from, to, count }
            })
            .collect()
    }
}

impl From<Histogram> for Vec<Class> {
    fn from(histogram: Histogram) -> Self {
        histogram.classes()
    }
}

impl From<Vec<Class>> for Histogram {
    fn from(classes: Vec<Class>) -> Self {
        let mut histogram = Self::default();
        for class in classes {
            histogram.0[class_of(class.from)] += class.count;
        }
        histogram
    }
}

/// How much work power-ups took until the settings could be read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct WorkHistogram {
    /// Read calls.
    pub reads: Histogram,
    /// Program calls.
    pub programs: Histogram,
    /// Sectors erased.
    pub erases: Histogram,
}

impl WorkHistogram {
    pub(crate) fn note(&mut self, work: Work) {
        self.reads.note(work.reads);
        self.programs.note(work.programs);
        self.erases.note(work.erases);
    }

    /// Adds another one.
    pub fn add(&mut self, other: &Self) {
        self.reads.add(&other.reads);
        self.programs.add(&other.programs);
        self.erases.add(&other.erases);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn classes_join_without_gap() {
        let mut next = 0;
        for class in 0..CLASSES {
            let (from, to) = bounds_of(class);
            assert_eq!(from, next, "class {class}");
            assert_eq!((class_of(from), class_of(to)), (class, class));
            next = to + 1;
        }
        assert!(next > 1_000_000);
        assert_eq!(class_of(u64::MAX), CLASSES - 1);
    }

    #[test]
    fn numbers_are_counted_and_kept() {
        let mut histogram = Histogram::default();
        [0, 3, 3, 9, 16, 17].into_iter().for_each(|number| histogram.note(number));
        let classes: Vec<_> =
            histogram.classes().iter().map(|class| (class.from, class.to, class.count)).collect();
        assert_eq!(classes, [(0, 0, 1), (3, 3, 2), (9, 16, 2), (17, 32, 1)]);
        assert_eq!(Histogram::from(histogram.classes()), histogram);
    }
}
