//! The result of `outlast plan`, which `--json` prints.

use outlast_costs::endurance::{Forecast, PartFigures, Simulation, Usage};
use outlast_costs::format::FormatFigures;
use serde::Serialize;

/// Everything that is printed.
#[derive(Serialize)]
pub(super) struct Outcome<'run> {
    pub(super) version: &'static str,
    pub(super) part: &'run PartFigures,
    pub(super) part_source: &'run str,
    pub(super) usage: &'run Usage,
    pub(super) format: &'run FormatFigures,
    /// The number of sectors asked for, or the smallest that meets the target, or the most there
    /// are. `None`: the settings do not fit.
    pub(super) chosen: Option<Forecast>,
    /// The smallest number of sectors that meets the target.
    pub(super) smallest_sectors: Option<u32>,
    /// Other numbers of sectors.
    pub(super) others: Vec<Forecast>,
    /// The store run with these settings on the chosen number of sectors.
    pub(super) trial: Option<Simulation>,
    /// Why there is none.
    pub(super) no_trial: Option<String>,
    pub(super) simulated: bool,
}
