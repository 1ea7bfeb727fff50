//! Goal: a store that promises to program each unit once is held to it, over all cuts and
//! power-ups.
//!
//! Method: whole runs of the two-copy store, which keeps that promise. Some also count power-ups in
//! a sector of their own, one unit each, in a way that is permitted or forbidden.

use super::tests::{breaches, go, random, systematic, tokens_reproduce, with_threads};
use crate::check::finding::Breach;
use crate::config::Config;
use crate::part::{Geometry, Level, Part, SecondPrograms};
use crate::report::Verdict;
use crate::subject::{KeyNames, Op, Subject, Trouble};
use crate::subjects::two_copies::{TwoCopies, TwoCopiesStore};

/// How a power-up is counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Mark {
    None,
    /// By zeros over the first blank unit.
    Blank,
    /// By something other than zeros there.
    Data,
    /// By zeros over the first two blank units.
    Wide,
    /// By zeros over the first unit that is not all zero.
    Unfinished,
    /// By zeros over the first blank unit. A unit that is neither blank nor zero has the sector
    /// erased instead.
    Erased,
}

struct Marking(Mark, SecondPrograms);

/// The sector in which power-ups are counted. The two copies are before it.
const MARKS: core::ops::Range<u32> = 1024..1536;

impl Mark {
    fn count(self, part: &Part) -> Result<(), Trouble> {
        let mut chip = part.chip_mut();
        let mut marks = [0; 512];
        chip.read(MARKS.start, &mut marks)?;
        let first = |is: fn(&[u8]) -> bool| {
            let place = marks.windows(2).position(is);
            place.map(|place| MARKS.start + place as u32)
        };
        let blank = first(|bytes| bytes[0] == 0xFF);
        let torn = first(|bytes| !matches!(bytes[0], 0 | 0xFF));
        let (at, data): (_, &[u8]) = match self {
            Self::None => return Ok(()),
            Self::Erased if torn.is_some() => return Ok(chip.erase(MARKS.start, MARKS.end)?),
            Self::Blank | Self::Erased => (blank, &[0]),
            Self::Data => (blank, &[0x0F]),
            Self::Wide => (first(|bytes| bytes == [0xFF; 2]), &[0; 2]),
            Self::Unfinished => (first(|bytes| bytes[0] != 0), &[0]),
        };
        at.map_or(Ok(()), |at| Ok(chip.program(at, data)?))
    }
}

impl Subject for Marking {
    type Store = TwoCopiesStore;

    fn name(&self) -> &'static str {
        "marking"
    }

    fn second_programs(&self) -> SecondPrograms {
        self.1
    }

    fn open(&self, part: &Part) -> Result<TwoCopiesStore, Trouble> {
        self.0.count(part)?;
        TwoCopies.open(part)
    }

    fn apply(&self, store: &mut TwoCopiesStore, op: &Op, keys: &KeyNames) -> Result<(), Trouble> {
        TwoCopies.apply(store, op, keys)
    }

    fn get(
        &self,
        store: &mut TwoCopiesStore,
        key: &str,
        out: &mut Vec<u8>,
    ) -> Result<bool, Trouble> {
        TwoCopies.get(store, key, out)
    }
}

fn runs(level: Level) -> [Config; 2] {
    let geometry = Geometry::new(3, 512, 1, 256).unwrap();
    [systematic(level, 6, 3), random(level, 40, 30)].map(|config| Config { geometry, ..config })
}

#[test]
fn what_is_programmed_once_is_clean() {
    for config in runs(Level::F1) {
        let report = go(&config, &Marking(Mark::None, SecondPrograms::Refused));
        assert_eq!(report.verdict, Verdict::Clean, "{:#?}", report.violations);
        assert_eq!((report.worst.most_programs, report.counts.repeated_zeros), (1, 0));
    }
}

#[test]
fn interrupted_zeros_are_repeated_and_counted() {
    for config in runs(Level::F1) {
        let subject = Marking(Mark::Blank, SecondPrograms::Refused);
        let report = go(&config, &subject);
        assert_eq!(report.verdict, Verdict::Clean, "{:#?}", report.violations);
        assert!(report.worst.most_programs > 1 && report.counts.repeated_zeros > 0);
        assert_eq!(report, with_threads(1, &config, &subject));
    }
}

#[test]
fn other_second_programs_are_found() {
    for mark in [Mark::Data, Mark::Wide, Mark::Unfinished, Mark::Erased] {
        let subject = Marking(mark, SecondPrograms::Refused);
        // At F1 no mark is torn; at F2 two copies are not always enough.
        let level = match mark {
            Mark::Unfinished | Mark::Erased => Level::F2,
            _ => Level::F1,
        };
        let wanted = if mark == Mark::Erased { "was interrupted" } else { "second program" };
        for config in runs(level) {
            let mut report = go(&config, &subject);
            report.violations.retain(|violation| {
                level == Level::F1 || violation.signature.breach == Breach::Contract
            });
            assert_eq!(breaches(&report), [Breach::Contract], "{mark:?}: {}", report.reason);
            for violation in &report.violations {
                assert!(violation.sentence.contains(wanted), "{mark:?}: {}", violation.sentence);
            }
            tokens_reproduce(&report, &subject);
        }
    }
}

#[test]
fn nothing_is_found_or_changed_where_it_is_not_asked_for() {
    for config in runs(Level::F1) {
        for mark in [Mark::Blank, Mark::Unfinished] {
            let report = go(&config, &Marking(mark, SecondPrograms::ZerosAllowed));
            assert_eq!(report.verdict, Verdict::Clean, "{mark:?}: {:#?}", report.violations);
            assert_eq!((report.worst.most_programs, report.counts.repeated_zeros), (0, 0));
            let counted = go(&config, &Marking(mark, SecondPrograms::Counted));
            assert_eq!(counted.counts, report.counts, "counting changes no image");
            assert!(counted.worst.most_programs > 1, "{mark:?} {:?}", counted.worst);
        }
    }
}
