//! The result of `outlast bench`, which `--json` prints.

use outlast_costs::run::Scheme;
use outlast_costs::sheet::Supply;
use outlast_costs::table::Results;
use outlast_faultsim::part::{Geometry, Timing};
use serde::Serialize;

/// Everything that is printed.
#[derive(Serialize)]
pub(super) struct Outcome<'run> {
    pub(super) version: &'static str,
    pub(super) geometry: Geometry,
    pub(super) part: &'static str,
    pub(super) part_source: &'static str,
    pub(super) spi_mhz: u32,
    pub(super) timing: Timing,
    pub(super) supply: Supply,
    pub(super) key_bytes: u32,
    pub(super) value_bytes: u32,
    pub(super) utilisation: f64,
    pub(super) seed: u64,
    pub(super) seconds: f64,
    pub(super) misses: Vec<String>,
    pub(super) results: &'run Results,
}

/// The figures that differ from what is expected by more than their tolerance, in words.
pub(super) fn misses(results: &Results) -> Vec<String> {
    let mut misses = Vec::new();
    for row in results.against_theory.iter().chain(&results.comparison) {
        let what = format!(
            "{} {} on {} sectors of {} bytes, utilisation {:.2}",
            row.scheme.name(),
            row.load.name(),
            row.geometry.sectors,
            row.geometry.sector_bytes,
            row.utilisation
        );
        if let Some(theory) = row.theory.filter(|theory| !theory.met()) {
            misses.push(format!(
                "{what}: {} {:.4}, expected {:.4} ({:+.1} %)",
                theory.figure,
                theory.measured,
                theory.compared_with(),
                100.0 * (theory.measured / theory.compared_with() - 1.0)
            ));
        }
        if let (Scheme::Outlast, Ok(cost)) = (row.scheme, &row.cost)
            && cost.wear_spread > 1
        {
            misses.push(format!("{what}: wear spread {}", cost.wear_spread));
        }
    }
    misses
}
