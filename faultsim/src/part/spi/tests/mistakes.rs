//! Store and driver together on the simulated chip, and drivers with mistakes.
//!
//! Goal: the rig finds nothing in the right driver, and finds each planted mistake. Method:
//! systematic and random runs with each mistake of [`Mistake::ALL`] and with none.

use crate::config::{Config, Mode, RandomLives, Systematic};
use crate::explore::clock::Progress;
use crate::part::spi::planted::Mistake;
use crate::part::{Geometry, Level};
use crate::report::{Report, Verdict};
use crate::run::run;
use crate::subjects::outlast_spi::OutlastSpi;
use crate::workload::source::WorkloadSource;

fn config(mode: Mode) -> Config {
    let geometry = Geometry::new(4, 512, 1, 64).unwrap();
    Config { shrink: None, ..Config { mode, ..Config::small(geometry, Level::F4) } }
}

fn lives(runs: u64, mistake: Option<Mistake>) -> Report {
    let mode = Mode::Random(RandomLives { runs, power_ups: 100, recoveries_cut_in_a_row: 8 });
    run(&config(mode), &OutlastSpi { mistake }, &Progress::default())
}

fn steps(mistake: Option<Mistake>) -> Report {
    let workload = WorkloadSource::Random { seed: 1, ops: 12 };
    let mode = Systematic { workload, depth: 2, thin: 4, sample: 40, ..Systematic::default() };
    run(&config(Mode::Systematic(mode)), &OutlastSpi { mistake }, &Progress::default())
}

#[test]
fn store_and_driver_are_clean() {
    let report = steps(None);
    assert_eq!(report.verdict, Verdict::Clean, "{} {:?}", report.reason, report.violations.first());
    let report = lives(20, None);
    assert_eq!(report.verdict, Verdict::Clean, "{:?}", report.violations.first());
}

#[test]
fn every_driver_mistake_is_found() {
    for mistake in Mistake::ALL {
        for report in [lives(20, Some(mistake)), steps(Some(mistake))] {
            let found = !matches!(report.verdict, Verdict::Clean | Verdict::Incomplete);
            assert!(found, "{mistake:?} {}", report.mode);
            // The failure must come from the mistake, and not from an unsupported chip or size.
            let words = match report.violations.first() {
                Some(violation) => &violation.sentence,
                None => &report.reason,
            };
            let of_reset = words.contains("software reset sent while the part was busy");
            assert_eq!(of_reset, mistake == Mistake::ResetWhileBusy, "{mistake:?} {words}");
            assert!(!words.contains("no driver for"), "{mistake:?} {words}");
        }
    }
}
