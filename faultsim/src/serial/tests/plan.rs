//! Store and driver together on the simulated chip, and drivers with mistakes.

use crate::device::{Geometry, Level};
use crate::plan::{Config, Deep, Mode, Progress, Report, Systematic, Verdict, run};
use crate::serial::planted::Mistake;
use crate::subjects::outlast_spi::OutlastSpi;
use crate::workload::WorkloadSource;

fn config(mode: Mode) -> Config {
    let geometry = Geometry::new(4, 512, 1, 64).unwrap();
    Config { minimise: None, ..Config { mode, ..Config::small(geometry, Level::F4) } }
}

fn lives(runs: u64, mistake: Option<Mistake>) -> Report {
    let mode = Mode::Deep(Deep { runs, power_ups: 100, recoveries_cut_in_a_row: 8 });
    run(&config(mode), &OutlastSpi { mistake }, &Progress::default())
}

fn steps(mistake: Option<Mistake>) -> Report {
    let workload = WorkloadSource::Random { seed: 1, ops: 12 };
    let mode = Systematic { workload, depth: 2, thin: 8, sample: 40, ..Systematic::default() };
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
fn mistakes_of_a_driver_are_found() {
    for mistake in Mistake::ALL {
        let report = lives(20, Some(mistake));
        eprintln!(
            "{mistake:?} {:?} {:?}",
            report.verdict,
            report.violations.first().map(|v| (&v.signature.breach, &v.sentence))
        );
        let report = steps(Some(mistake));
        eprintln!(
            "{mistake:?} {:?} {:?} {:?}",
            report.verdict,
            report.reason,
            report.violations.first().map(|v| (&v.signature.breach, &v.sentence))
        );
    }
}
