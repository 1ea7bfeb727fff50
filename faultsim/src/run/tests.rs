//! Goal: the rig reports what is wrong with a store, and nothing where nothing is wrong.
//!
//! Method: whole runs over small parts. Sound stores must come out clean; stores with a known fault
//! must fail, with an example that replays and does not change from run to run.

use std::collections::BTreeMap;
use std::sync::atomic::Ordering;
use std::time::Duration;

use super::*;
use crate::check::finding::Breach;
use crate::config::{RandomLives, Systematic};
use crate::history::token::Token;
use crate::part::{Geometry, Level, Part};
use crate::replay::replay;
use crate::report::{Outcome, Verdict};
use crate::selftest::mutants::{Reference, by_name};
use crate::subject::{Bounds, KeyNames, Op, Trouble, Work};
use crate::subjects::naive::Naive;
use crate::subjects::outlast::{Outlast, Running};
use crate::subjects::table::changes;
use crate::subjects::two_copies::{TwoCopies, TwoCopiesStore};
use crate::workload::source::WorkloadSource;

/// Time for shrinking an example.
const SOON: Duration = Duration::from_millis(500);

fn geometry() -> Geometry {
    Geometry::new(2, 512, 1, 256).unwrap()
}

pub(super) fn systematic(level: Level, ops: u32, depth: u32) -> Config {
    let workload = WorkloadSource::Random { seed: 3, ops };
    let mode = Mode::Systematic(Systematic { workload, depth, ..Systematic::default() });
    Config { mode, shrink: Some(SOON), ..Config::systematic(geometry(), level) }
}

pub(super) fn random(level: Level, runs: u64, power_ups: u32) -> Config {
    let mode = Mode::Random(RandomLives { runs, power_ups, ..RandomLives::default() });
    Config { mode, shrink: Some(SOON), ..Config::systematic(geometry(), level) }
}

pub(super) fn go<S: Subject>(config: &Config, subject: &S) -> Report {
    run(config, subject, &Progress::default())
}

pub(super) fn with_threads<S: Subject>(threads: usize, config: &Config, subject: &S) -> Report {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
    pool.install(|| go(config, subject))
}

pub(super) fn breaches(report: &Report) -> Vec<Breach> {
    let mut list: Vec<_> = report.violations.iter().map(|v| v.signature.breach).collect();
    list.sort_unstable();
    list.dedup();
    list
}

/// Every token of a report reproduces what the report says.
pub(super) fn tokens_reproduce<S: Subject>(report: &Report, subject: &S) {
    assert!(!report.violations.is_empty());
    for violation in &report.violations {
        let token: Token = violation.token.parse().unwrap();
        assert_eq!(token.to_string(), violation.token);
        let again = replay(&token, subject);
        assert_eq!(again.outcome, Outcome::Reproduced, "{violation:#?}");
        assert_eq!(again.sentence, violation.sentence);
        assert_eq!(again.operations, violation.operations);
        assert_eq!(again.cut_points, violation.cut_points);
        assert_eq!(again.cut_points.is_empty(), violation.cuts == 0);
    }
}

#[test]
fn rewriting_a_sector_loses_data_between_erase_and_program() {
    let report = go(&systematic(Level::F1, 12, 1), &Naive);
    assert_eq!(report.verdict, Verdict::Violation);
    let lost = report.violations.iter().find(|v| v.signature.breach == Breach::Lost).unwrap();
    assert!(lost.shrunk && lost.operations.len() <= 2, "{lost:#?}");
    assert_eq!((lost.cuts, lost.level), (1, Level::F0));
    tokens_reproduce(&report, &Naive);
}

#[test]
fn two_copies_hold_until_bits_are_marginal() {
    for level in [Level::F0, Level::F1] {
        let report = go(&systematic(level, 6, 2), &TwoCopies);
        assert_eq!(report.verdict, Verdict::Clean, "{level}: {:#?}", report.violations);
        assert_eq!(report.counts.done, report.counts.planned);
        assert!(report.counts.distinct > 0 && report.counts.judged >= report.counts.distinct);
    }
    let report = go(&systematic(Level::F3, 4, 2), &TwoCopies);
    assert_eq!(report.verdict, Verdict::Violation);
    assert!(breaches(&report).contains(&Breach::Unsettled), "{:#?}", report.violations);
    // F2: fields of zeros in a sector that is being erased.
    let shown_at = |level: Level| matches!(level, Level::F2 | Level::F3);
    assert!(report.violations.iter().all(|v| shown_at(v.level)), "{:#?}", report.violations);
    tokens_reproduce(&report, &TwoCopies);
}

#[test]
fn random_lives_find_the_same() {
    let report = go(&random(Level::F1, 20, 60), &TwoCopies);
    assert_eq!(report.verdict, Verdict::Clean, "{:#?}", report.violations);
    assert_eq!(report.counts.cuts, 20 * 60);

    for (subject, level) in [(true, Level::F0), (false, Level::F3)] {
        let config = random(level, 20, 60);
        let report = if subject { go(&config, &Naive) } else { go(&config, &TwoCopies) };
        assert_eq!(report.verdict, Verdict::Violation);
        if subject {
            tokens_reproduce(&report, &Naive);
        } else {
            tokens_reproduce(&report, &TwoCopies);
        }
    }
}

#[test]
fn the_number_of_threads_changes_nothing() {
    let quick = |config: Config| Config { shrink: None, ..config };
    for config in [
        quick(systematic(Level::F3, 2, 2)),
        quick(Config { stop_at_first: true, ..systematic(Level::F3, 4, 2) }),
        quick(random(Level::F3, 12, 40)),
        quick(Config { stop_at_first: true, ..random(Level::F3, 40, 40) }),
    ] {
        let one = with_threads(1, &config, &TwoCopies);
        assert_eq!(one, with_threads(2, &config, &TwoCopies));
        assert_eq!(one, with_threads(3, &config, &TwoCopies));
        assert_eq!(one.verdict, Verdict::Violation);
        tokens_reproduce(&one, &TwoCopies);
    }
}

#[test]
fn another_seed_is_another_run() {
    let config = random(Level::F2, 2, 20);
    let other = Config { seed: 2, ..config };
    assert_ne!(go(&config, &TwoCopies).counts, go(&other, &TwoCopies).counts);
}

#[test]
fn short_cuts_do_not_change_the_verdict() {
    let mode = |merge_equal: bool, group: bool| {
        let workload = WorkloadSource::Random { seed: 3, ops: 2 };
        // Thinned out, so that the plain way takes seconds only.
        let plan = Systematic {
            workload,
            depth: 2,
            thin: 64,
            merge_equal,
            group,
            ..Systematic::default()
        };
        Mode::Systematic(plan)
    };
    let ways = |level: Level, ways: &[(bool, bool)]| -> Vec<Report> {
        let config = Config { shrink: None, ..Config::systematic(geometry(), level) };
        let run =
            |&(merge, group): &_| go(&Config { mode: mode(merge, group), ..config }, &TwoCopies);
        let reports: Vec<Report> = ways.iter().map(run).collect();
        for report in &reports {
            assert_eq!(report.verdict, reports[0].verdict);
            assert_eq!(breaches(report), breaches(&reports[0]));
        }
        reports
    };
    let clean = ways(Level::F1, &[(true, true), (false, true), (true, false), (false, false)]);
    let judged = |index: usize| clean[index].counts.judged;
    assert!(judged(0) < judged(1) && judged(0) < judged(2) && judged(2) < judged(3));
    assert_eq!(clean[0].counts.distinct, clean[1].counts.distinct);
    assert_eq!(clean[2].counts.represented, 0);
    assert_eq!(clean[0].verdict, Verdict::Clean);

    let failing = ways(Level::F3, &[(true, true), (true, false)]);
    assert!(failing[0].counts.judged < failing[1].counts.judged);
    assert_eq!(breaches(&failing[0]), [Breach::Lost, Breach::Outdated, Breach::Unsettled]);
}

#[test]
fn a_budget_ends_the_run_and_says_so() {
    for config in [systematic(Level::F2, 12, 2), random(Level::F2, 1000, 100)] {
        let config = Config { budget: Some(Duration::ZERO), ..config };
        let report = go(&config, &TwoCopies);
        assert_eq!(report.verdict, Verdict::Incomplete);
        assert!(report.counts.done < report.counts.planned && !report.reason.is_empty());
    }
    let progress = Progress::default();
    progress.stop.store(true, Ordering::Relaxed);
    let report = run(&systematic(Level::F2, 12, 2), &TwoCopies, &progress);
    assert_eq!(report.verdict, Verdict::Incomplete);
}

/// Two copies with a fault of another kind built in.
struct Faulty(Fault);

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Fault {
    /// Fails even without cuts.
    Forgets,
    /// Panics on a half-written copy. All faults from here to `CallsItDamaged` need such a copy.
    Panics,
    Loops,
    NeverOpens,
    ProgramsOverData,
    RefusesWrites,
    /// Does not list all names.
    ListsTooLittle,
    /// Reports a read error for a copy it cannot use.
    CallsItDamaged,
    Understates,
}

/// Whether a copy is there that is neither blank nor intact: only a cut leaves one.
fn sees_a_torn_copy(part: &Part) -> bool {
    let half = part.chip().geometry().bytes() / 2;
    (0..2).any(|copy| {
        let mut bytes = vec![0; half as usize];
        part.chip_mut().read(copy * half, &mut bytes).unwrap();
        let blank = bytes.iter().all(|byte| *byte == 0xFF);
        let len = u32::from_le_bytes([bytes[4], bytes[5], bytes[6], bytes[7]]) as usize;
        let intact = bytes.get(12..12 + len.min(1 << 20)).is_some_and(|body| {
            let sum = crate::checksum::crc32(bytes[..8].iter().chain(body).copied());
            sum.to_le_bytes() == bytes[8..12]
        });
        !blank && !intact
    })
}

struct FaultyStore {
    inner: TwoCopiesStore,
    torn: bool,
}

impl Subject for Faulty {
    type Store = FaultyStore;

    fn name(&self) -> &'static str {
        "faulty"
    }

    fn open(&self, part: &Part) -> Result<FaultyStore, Trouble> {
        let torn = sees_a_torn_copy(part);
        match self.0 {
            Fault::Panics if torn => panic!("no idea what this is"),
            Fault::Loops if torn => while part.chip_mut().read(0, &mut [0]).is_ok() {},
            Fault::NeverOpens if torn => return Err(Trouble::Broken("bad copy".to_owned())),
            Fault::ProgramsOverData if torn => {
                let _ = part.chip_mut().program(0, &[0x55; 300]);
            }
            _ => {}
        }
        Ok(FaultyStore { inner: TwoCopies.open(part)?, torn })
    }

    fn apply(&self, store: &mut FaultyStore, op: &Op, keys: &KeyNames) -> Result<(), Trouble> {
        match self.0 {
            Fault::RefusesWrites if store.torn => return Err(Trouble::Full),
            Fault::Forgets if op.kind() == crate::subject::OpKind::Delete => return Ok(()),
            _ => {}
        }
        TwoCopies.apply(&mut store.inner, op, keys)
    }

    fn get(&self, store: &mut FaultyStore, key: &str, out: &mut Vec<u8>) -> Result<bool, Trouble> {
        if self.0 == Fault::CallsItDamaged && store.torn {
            return Err(Trouble::Corrupt);
        }
        TwoCopies.get(&mut store.inner, key, out)
    }

    fn list(
        &self,
        store: &mut FaultyStore,
        each: &mut dyn FnMut(&[u8]),
    ) -> Option<Result<(), Trouble>> {
        let mut skip = self.0 == Fault::ListsTooLittle && store.torn;
        TwoCopies.list(&mut store.inner, &mut |name| {
            if !std::mem::take(&mut skip) {
                each(name);
            }
        })
    }

    fn bounds(&self, _: &Geometry) -> Option<Bounds> {
        let plenty = Work { reads: u64::MAX, programs: u64::MAX, erases: u64::MAX };
        let little = Work { reads: u64::MAX, programs: u64::MAX, erases: 0 };
        let op = if self.0 == Fault::Understates { little } else { plenty };
        Some(Bounds { open: plenty, op })
    }
}

#[test]
fn each_kind_of_fault_is_named_for_what_it_is() {
    for (fault, breach) in [
        (Fault::Panics, Breach::Panicked),
        (Fault::Loops, Breach::Endless),
        (Fault::NeverOpens, Breach::NotOpening),
        (Fault::ProgramsOverData, Breach::Contract),
        (Fault::RefusesWrites, Breach::NotWritable),
        (Fault::ListsTooLittle, Breach::Listing),
        (Fault::CallsItDamaged, Breach::Damaged),
    ] {
        let config = Config { stop_at_first: true, ..systematic(Level::F1, 3, 1) };
        let report = go(&config, &Faulty(fault));
        assert_eq!(report.verdict, Verdict::Violation, "{fault:?}");
        assert_eq!(breaches(&report), [breach], "{fault:?}: {:#?}", report.violations);
        tokens_reproduce(&report, &Faulty(fault));
        let report =
            go(&Config { stop_at_first: true, ..random(Level::F1, 4, 40) }, &Faulty(fault));
        assert_eq!(breaches(&report), [breach], "{fault:?}: {:#?}", report.violations);
        tokens_reproduce(&report, &Faulty(fault));
    }
}

#[test]
fn faults_without_cuts_are_told_apart() {
    for (fault, words) in [(Fault::Forgets, "acknowledged"), (Fault::Understates, "stated")] {
        let report = go(&systematic(Level::F1, 12, 1), &Faulty(fault));
        assert_eq!(report.verdict, Verdict::BaselineFailed, "{fault:?}");
        assert!(report.reason.contains(words), "{}", report.reason);
        assert_eq!(report.counts.judged, 0);
    }
}

#[test]
fn a_token_tells_when_the_code_has_changed() {
    let config = Config { shrink: None, stop_at_first: true, ..systematic(Level::F1, 12, 1) };
    let report = go(&config, &Faulty(Fault::NeverOpens));
    let token: Token = report.violations[0].token.parse().unwrap();
    // The same code without the fault writes the same steps.
    assert_eq!(replay(&token, &TwoCopies).outcome, Outcome::PassesNow);
    // Another fault fails in another way; other code writes other steps.
    assert_eq!(replay(&token, &Faulty(Fault::Panics)).outcome, Outcome::Diverged);
    assert_eq!(replay(&token, &Naive).outcome, Outcome::Diverged);
}

/// Outlast, but if any setting is damaged, this store treats all of them as absent.
struct Timid;

impl Subject for Timid {
    type Store = (Running, bool);

    fn name(&self) -> &'static str {
        "timid"
    }

    fn open(&self, part: &Part) -> Result<Self::Store, Trouble> {
        let mut store = Outlast.open(part)?;
        let mut names = Vec::new();
        let mut note = |name: &[u8]| names.push(String::from_utf8_lossy(name).into_owned());
        let listed = Outlast.list(&mut store, &mut note).unwrap_or(Ok(()));
        let mut value = Vec::new();
        let mut damaged = listed == Err(Trouble::Corrupt);
        for name in names {
            damaged |= Outlast.get(&mut store, &name, &mut value) == Err(Trouble::Corrupt);
        }
        Ok((store, damaged))
    }

    fn apply(&self, store: &mut Self::Store, op: &Op, keys: &KeyNames) -> Result<(), Trouble> {
        Outlast.apply(&mut store.0, op, keys)
    }

    fn get(&self, store: &mut Self::Store, key: &str, out: &mut Vec<u8>) -> Result<bool, Trouble> {
        if store.1 { Ok(false) } else { Outlast.get(&mut store.0, key, out) }
    }
}

fn collateral(workload: WorkloadSource, geometry: Geometry) -> Config {
    let mode =
        Mode::Systematic(Systematic { workload, thin: 8, depth: 1, ..Systematic::default() });
    Config { mode, shrink: None, ..Config::systematic(geometry, Level::F5) }
}

#[test]
fn what_stands_in_another_sector_has_to_survive_collateral_damage() {
    // As many settings as make a log of more than one sector.
    let geometry = Geometry::new(4, 512, 1, 64).unwrap();
    let config = collateral(WorkloadSource::Random { seed: 5, ops: 30 }, geometry);
    let report = go(&config, &Outlast);
    // A damaged name can come to be that of another setting and take its place: a known limit, see
    // `docs/promises.md`.
    assert!(breaches(&report).iter().all(|breach| *breach == Breach::Escaped), "{report:#?}");
    let known = report.counts.violating;
    assert!(known <= 2, "{:#?}", report.violations);
    let collateral_loss = report.counts.collateral_loss;
    assert!(collateral_loss.apart > 1000 && collateral_loss.corrupt > 100, "{collateral_loss:?}");
    let report = go(&config, &Timid);
    assert_eq!(breaches(&report), [Breach::Escaped], "{:#?}", report.violations);
    assert!(report.counts.violating > 50 * known.max(1), "{}", report.counts.violating);
    tokens_reproduce(&report, &Timid);
}

#[test]
fn collateral_damage_is_counted_alike_each_time() {
    let config = collateral(WorkloadSource::Case(3), crate::selftest::mutants::cases::GEOMETRY);
    let report = go(&config, &Reference::default());
    assert_eq!(report.verdict, Verdict::Clean, "{:#?}", report.violations);
    let collateral_loss = report.counts.collateral_loss;
    assert!(
        collateral_loss.images > 1000 && collateral_loss.lost > 100 && collateral_loss.older > 100,
        "{collateral_loss:?}"
    );
    assert_eq!(report, with_threads(1, &config, &Reference::default()));
    let milder = Config { level: Level::F4, ..config };
    let milder = go(&milder, &Reference::default());
    assert!(
        milder.counts.collateral_loss.is_none() && milder.counts.distinct < report.counts.distinct
    );

    let config = random(Level::F5, 20, 100);
    let lives = go(&config, &Reference::default());
    assert_eq!(lives.verdict, Verdict::Clean, "{:#?}", lives.violations);
    assert!(lives.counts.collateral_loss.images > 500, "{:?}", lives.counts.collateral_loss);
    assert_eq!(lives, with_threads(1, &config, &Reference::default()));
}

#[test]
fn a_value_that_was_never_written_is_seen_at_f5() {
    let subject = by_name("planted:only-last-checked").unwrap();
    let config = collateral(WorkloadSource::Case(3), crate::selftest::mutants::cases::GEOMETRY);
    let report = go(&config, subject);
    // Under its own name and under that of another, or of none.
    assert_eq!(breaches(&report), [Breach::Invented, Breach::Listing]);
    tokens_reproduce(&report, subject);
    let milder = Config { level: Level::F4, ..config };
    assert_eq!(go(&milder, subject).verdict, Verdict::Clean);
}

/// Acknowledges everything, but repeats a failing call of the part: in `open`, or in a put.
struct Retries {
    in_open: bool,
    out_of_range: bool,
}

impl Retries {
    fn erase(&self, part: &Part) {
        let bytes = part.chip().geometry().bytes();
        let from = if self.out_of_range { bytes } else { 0 };
        while part.chip_mut().erase(from, from + bytes / 2).is_err() {}
    }
}

impl Subject for Retries {
    type Store = (Part, BTreeMap<String, Vec<u8>>);

    fn name(&self) -> &'static str {
        "retries"
    }

    fn open(&self, part: &Part) -> Result<Self::Store, Trouble> {
        if self.in_open {
            self.erase(part);
        }
        Ok((part.clone(), BTreeMap::new()))
    }

    fn apply(&self, store: &mut Self::Store, op: &Op, keys: &KeyNames) -> Result<(), Trouble> {
        for (key, value) in changes(op, keys) {
            self.erase(&store.0);
            match value {
                Some(value) => _ = store.1.insert(key.to_owned(), value.to_vec()),
                None => _ = store.1.remove(key),
            }
        }
        if *op == Op::Clear {
            store.1.clear();
        }
        Ok(())
    }

    fn get(&self, store: &mut Self::Store, key: &str, out: &mut Vec<u8>) -> Result<bool, Trouble> {
        out.clear();
        Ok(store.1.get(key).map(|value| out.extend(value)).is_some())
    }
}

#[test]
fn code_that_retries_for_ever_is_stopped() {
    let config = random(Level::F1, 8, 50);
    for in_open in [true, false] {
        let subject = Retries { in_open, out_of_range: false };
        let report = go(&config, &subject);
        assert!(breaches(&report).contains(&Breach::Endless), "{:#?}", report.violations);
        tokens_reproduce(&report, &subject);
    }
    let subject = Retries { in_open: false, out_of_range: true };
    let report = go(&systematic(Level::F1, 5, 1), &subject);
    assert_eq!(report.verdict, Verdict::BaselineFailed);
    assert!(report.reason.contains("is not within the part"), "{}", report.reason);
}

/// The two-copy store, which here takes no value above a length, and no batch.
struct Limited {
    most: usize,
}

impl Subject for Limited {
    type Store = TwoCopiesStore;

    fn name(&self) -> &'static str {
        "limited"
    }

    fn open(&self, part: &Part) -> Result<TwoCopiesStore, Trouble> {
        TwoCopies.open(part)
    }

    fn apply(&self, store: &mut TwoCopiesStore, op: &Op, keys: &KeyNames) -> Result<(), Trouble> {
        let too_long = |value: &[u8]| value.len() > self.most;
        if matches!(op, Op::Batch(_)) || matches!(op, Op::Put { value, .. } if too_long(value)) {
            return Err(Trouble::Refused("not offered".to_owned()));
        }
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

#[test]
fn what_the_code_does_not_take_is_not_demanded() {
    for most in [0, 1, 6, 12, 30] {
        let report = go(&systematic(Level::F0, 40, 1), &Limited { most });
        assert_eq!(report.verdict, Verdict::Clean, "{most} {:#?}", report.violations);
    }
    // In a life, code that accepts hardly anything looks like code that accepts nothing.
    for most in [6, 12, 30] {
        let report = go(&random(Level::F0, 20, 40), &Limited { most });
        assert_eq!(report.verdict, Verdict::Clean, "{most} {:#?}", report.violations);
    }
    // After a cut, work goes on with the smaller values, not with nothing.
    let report = go(&systematic(Level::F0, 40, 1), &Limited { most: 12 });
    let nothing = go(&systematic(Level::F0, 40, 1), &Limited { most: 0 });
    assert!(report.counts.distinct > nothing.counts.distinct);
    assert!(report.baseline.refused.iter().any(|(kind, _)| kind == "put"), "{report:#?}");
}
