//! The proof of the rig. It has to see every planted mistake at the mistake's lowest level, and
//! nothing in the store without mistakes; and with one of its mechanisms switched off, some mistake
//! that needs the mechanism has to escape.
//!
//! One run for each mistake and case makes all cuts of all classes and continues after failures.
//! For each failure it notes which mechanisms of the rig were needed. That gives the lowest level,
//! the number of images up to the first failure of each class, and the mechanisms without which
//! there is no failure.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use rayon::prelude::*;

use super::mutants::bug::{ALL, Planted};
use super::mutants::{Reference, cases};
use super::proof::{Ablation, Proof, Row};
use crate::ablation::{Mechanism, Mechanisms};
use crate::config::{Config, Mode, Systematic};
use crate::explore::clock::Progress;
use crate::part::Level;
use crate::replay::shrink::shrink;
use crate::report::{Report, Verdict, Violation};
use crate::run::run;
use crate::workload::source::WorkloadSource;

/// One pass over the cases. Passes go from the mildest to the most severe faults, and the milder a
/// pass, the more complete it is.
struct Pass {
    level: Level,
    /// 1 in this many of the tears that are not representatives of their class is tried.
    thin: u32,
    /// Further cuts are made in 1 in this many of the kinds of recovery after a first cut.
    sample: u32,
    /// What it leaves out because another pass has it.
    without: Mechanisms,
}

const PASSES: [Pass; 4] = [
    Pass { level: Level::F0, thin: 1, sample: 1, without: Mechanisms::NONE },
    Pass { level: Level::F1, thin: 1, sample: 1, without: Mechanisms::NONE },
    Pass { level: Level::F4, thin: 32, sample: 32, without: Mechanisms::NONE },
    // Collateral damage only.
    Pass { level: Level::F5, thin: 16, sample: 64, without: BELOW_F5 },
];
/// The classes of tears up to F4.
const BELOW_F5: Mechanisms = Mechanisms::NONE
    .with(Mechanism::ProgramOrder)
    .with(Mechanism::EraseOrder)
    .with(Mechanism::ProgramSubset)
    .with(Mechanism::ErasePhase)
    .with(Mechanism::MarginalProgram)
    .with(Mechanism::WeakErase)
    .with(Mechanism::Adversarial);
/// The case that the pass up to F4 treats more completely, and the factor for recoveries: the one
/// with factory resets, since some mistakes take two cuts that do not show. The pass does so only
/// while no milder one has seen the mistake: this takes longer than all the rest.
const DENSE: (u8, u32) = (1, 8);
/// How many mistakes are tried, until one escapes, when a mechanism is switched off.
const ABLATIONS: usize = 4;
/// Most cuts in one history.
const DEPTH: u32 = 3;
/// The time to shrink one example.
const TIME_PER_EXAMPLE: Duration = Duration::from_secs(20);
/// The median example, after shrinking, must not have more operations or cuts than this.
const MEDIAN_OPERATIONS: usize = 3;
const MEDIAN_CUTS: u32 = 2;

/// The progress of the proof, to be read by another thread.
#[derive(Debug, Default)]
pub struct Steps {
    /// Steps planned.
    pub planned: AtomicU64,
    /// Steps done.
    pub done: AtomicU64,
}

/// What failed in the cases of one store.
#[derive(Default)]
struct Tried {
    /// For each set of mechanisms needed: images judged up to the first failure, and its pass and
    /// case.
    kills: BTreeMap<Mechanisms, (u64, (usize, u8))>,
    judged: u64,
    incomplete: bool,
    fails_without_cuts: String,
}

/// The configuration of a pass over one case, at no more than `level`. `is_seen` says whether a
/// milder pass has seen the mistake.
fn config(level: Level, at: (usize, u8), without: Mechanisms, is_seen: bool) -> Config {
    let (pass, case) = (&PASSES[at.0], at.1);
    let is_dense = pass.level == Level::F4 && case == DENSE.0 && !is_seen;
    let more_recoveries = if is_dense { DENSE.1 } else { 1 };
    let mode = Systematic {
        workload: WorkloadSource::Case(case),
        depth: DEPTH,
        thin: pass.thin,
        sample: pass.sample / more_recoveries,
        without: without.and(pass.without),
        ..Systematic::default()
    };
    let level = level.min(pass.level);
    Config {
        shrink: None,
        mode: Mode::Systematic(mode),
        ..Config::systematic(cases::GEOMETRY, level)
    }
}

fn try_all(subject: &Reference, level: Level, without: Mechanisms) -> Tried {
    let mut tried = Tried::default();
    // A pass that would be as mild as the one before it is skipped.
    for pass in (0..PASSES.len()).filter(|&pass| pass == 0 || level > PASSES[pass - 1].level) {
        let is_seen = !tried.kills.is_empty();
        for case in 0..cases::CASES {
            let config = config(level, (pass, case), without, is_seen);
            tried.add((pass, case), run(&config, subject, &Progress::default()));
        }
    }
    tried
}

impl Tried {
    /// Adds what a pass over a case reports.
    fn add(&mut self, at: (usize, u8), report: Report) {
        match report.verdict {
            Verdict::BaselineFailed if self.fails_without_cuts.is_empty() => {
                self.fails_without_cuts = format!("case {}: {}", at.1, report.reason);
            }
            Verdict::Incomplete => self.incomplete = true,
            _ => {}
        }
        for (mechanisms, images) in report.kills {
            let images = self.judged + images;
            let known = self.kills.entry(mechanisms).or_insert((images, at));
            *known = (*known).min((images, at));
        }
        self.judged += report.counts.judged;
    }
}

/// The row of one planted mistake, without its example.
pub fn row(planted: &'static Planted) -> Row {
    let subject = Reference { planted: Some(planted) };
    let tried = try_all(&subject, Level::F5, Mechanisms::NONE);
    let lowest = tried.kills.keys().map(|mechanisms| mechanisms.level()).min();
    let at_lowest =
        || tried.kills.iter().filter(|(mechanisms, _)| Some(mechanisms.level()) == lowest);
    let first = at_lowest().map(|(_, first)| *first).min();
    let needs = at_lowest()
        .map(|(mechanisms, _)| *mechanisms)
        .reduce(Mechanisms::common)
        .unwrap_or_default();
    let classes = Mechanism::ALL.into_iter().filter(|mechanism| mechanism.is_fault());
    let by_class = classes
        .map(|class| {
            let of_class =
                tried.kills.iter().filter(|(mechanisms, _)| is_hardest(**mechanisms, class));
            (class, of_class.map(|(_, first)| first.0).min())
        })
        .collect();
    Row {
        name: planted.name,
        about: planted.about.trim(),
        stated: planted.level,
        lowest,
        first: first.map(|first| first.0),
        judged: tried.judged,
        by_class,
        needs: needs.iter().collect(),
        first_in: first.map(|first| first.1).unwrap_or_default(),
        example: None,
        fails_without_cuts: tried.fails_without_cuts,
    }
}

/// Whether `class` is among these and no other class is of a higher level. For cuts between steps:
/// whether they are the only class.
fn is_hardest(mechanisms: Mechanisms, class: Mechanism) -> bool {
    match class {
        Mechanism::Between => mechanisms.iter().filter(|other| other.is_fault()).count() == 1,
        _ => mechanisms.has(class) && mechanisms.level() == class.level(),
    }
}

/// A shrunk example of a mistake at its lowest level.
fn example(row: &Row, planted: &'static Planted) -> Option<Violation> {
    let subject = Reference { planted: Some(planted) };
    // If it is the pass up to F4, no milder one has seen the mistake.
    let config = config(row.lowest?, row.first_in, Mechanisms::NONE, false);
    let config = Config { stop_at_first: true, ..config };
    let report = run(&config, &subject, &Progress::default());
    let mut violation = report.violations.into_iter().next()?;
    shrink(&mut violation, &subject, TIME_PER_EXAMPLE);
    Some(violation)
}

/// Proves the rig, or says why it is not proved.
pub fn prove(steps: &Steps) -> Proof {
    let mechanisms = Mechanism::ALL.len() as u64;
    steps.planned.store(1 + 2 * ALL.len() as u64 + mechanisms, Ordering::Relaxed);
    let step = || steps.done.fetch_add(1, Ordering::Relaxed);
    let mut failures = Vec::new();

    let sound = try_all(&Reference::default(), Level::F5, Mechanisms::NONE);
    step();
    if !sound.kills.is_empty() || sound.incomplete || !sound.fails_without_cuts.is_empty() {
        failures.push("the store without mistakes raises an alarm".to_owned());
    }
    let rows: Vec<Row> = ALL
        .par_iter()
        .map(|planted| {
            let row = row(planted);
            step();
            row
        })
        .collect();
    let rows: Vec<Row> = rows
        .into_par_iter()
        .zip(ALL)
        .map(|(row, planted)| {
            let example = example(&row, planted);
            step();
            Row { example, ..row }
        })
        .collect();
    for row in &rows {
        failures.extend(row.failure());
    }
    let ablations: Vec<Ablation> = Mechanism::ALL
        .into_par_iter()
        .filter_map(|mechanism| {
            let ablation = ablate(mechanism, &rows);
            step();
            ablation
        })
        .collect();
    for mechanism in Mechanism::ALL {
        match ablations.iter().find(|ablation| ablation.mechanism == mechanism) {
            Some(Ablation { escaped: false, name, .. }) => {
                failures.push(format!("without {}, {name} does not escape", mechanism.name()));
            }
            None if mechanism != Mechanism::Between => {
                failures.push(format!("no mistake needs {}", mechanism.name()));
            }
            _ => {}
        }
    }
    let examples = || rows.iter().filter_map(|row| row.example.as_ref());
    let median_operations = median(examples().map(|example| example.operations.len()));
    let median_cuts = median(examples().map(|example| example.cuts));
    if median_operations > MEDIAN_OPERATIONS || median_cuts > MEDIAN_CUTS {
        failures.push(format!(
            "the median example has {median_operations} operations and {median_cuts} cuts; at \
             most {MEDIAN_OPERATIONS} and {MEDIAN_CUTS} are wanted"
        ));
    }
    Proof { rows, ablations, sound_images: sound.judged, median_operations, median_cuts, failures }
}

/// Switches a mechanism off and checks that a mistake that needs it escapes.
fn ablate(mechanism: Mechanism, rows: &[Row]) -> Option<Ablation> {
    if mechanism == Mechanism::Between {
        return None;
    }
    let needing = rows.iter().zip(ALL).filter(|(row, _)| row.needs.contains(&mechanism));
    let mut needing: Vec<_> = needing.collect();
    // Those that need little else come first.
    needing.sort_by_key(|(row, _)| (row.needs.len(), row.lowest));
    let mut tried = needing.into_iter().take(ABLATIONS).filter_map(|(row, planted)| {
        let (level, subject) = (row.lowest?, Reference { planted: Some(planted) });
        let escaped = try_all(&subject, level, mechanism.into()).kills.is_empty();
        Some(Ablation { mechanism, name: row.name, level, escaped })
    });
    let first = tried.next()?;
    Some(if first.escaped { first } else { tried.find(|next| next.escaped).unwrap_or(first) })
}

fn median<T: Ord + Copy + Default>(values: impl Iterator<Item = T>) -> T {
    let mut values: Vec<T> = values.collect();
    values.sort_unstable();
    values.get(values.len() / 2).copied().unwrap_or_default()
}
