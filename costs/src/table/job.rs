//! One run of the table.

use super::config::Bench;
use super::row::Against;
use crate::format::FormatFigures;
use crate::load::Load;
use crate::run::{Scheme, Setup};
use outlast_faultsim::part::Geometry;

/// Updates with the schemes that erase in each of them.
const REWRITES: u64 = 2000;
/// Rounds of the log before counting, until it is in its steady state, for uniform updates.
const SETTLING: u64 = 10;
/// The same for all other loads.
const SETTLING_SKEWED: u64 = 60;

/// One run to do.
pub(super) struct Job {
    pub(super) setup: Setup,
    pub(super) utilisation: f64,
    pub(super) format: FormatFigures,
    pub(super) batch_bytes: f64,
    pub(super) against: Against,
}

impl Job {
    pub(super) fn new(
        bench: &Bench,
        format: &FormatFigures,
        geometry: Geometry,
        load: Load,
        utilisation: f64,
    ) -> Self {
        let value_bytes = load.own_value_bytes().unwrap_or(bench.value_bytes);
        let record = format.records.first().copied().unwrap_or(1);
        let slots = format.slots();
        let room = f64::from(geometry.sectors - 1) * slots;
        let keys = load.own_keys();
        let keys = keys.unwrap_or_else(|| (room * utilisation).round().max(1.0) as u32);
        let round = (f64::from(geometry.sectors) * slots) as u64;
        let alike = load.groups(keys).len() == 1;
        let settling = if alike { SETTLING } else { SETTLING_SKEWED };
        Self {
            setup: Setup {
                geometry,
                timing: bench.timing,
                scheme: Scheme::Outlast,
                load,
                keys,
                key_bytes: bench.key_bytes,
                value_bytes,
                warm_up: settling * round,
                updates: u64::from(bench.rounds) * round,
                seed: bench.seed,
            },
            utilisation: f64::from(keys) / room,
            // A commit record has no key and six bytes.
            batch_bytes: f64::from(record - bench.key_bytes - value_bytes) + 6.0,
            format: format.clone(),
            against: match load {
                Load::Skewed | Load::HotKey => Against::Published,
                _ => Against::ThisStore,
            },
        }
    }

    pub(super) fn against(self, against: Against) -> Self {
        Self { against, ..self }
    }

    pub(super) fn with(mut self, scheme: Scheme) -> Self {
        if scheme != Scheme::Outlast {
            self.setup.warm_up = 0;
            self.setup.updates = self.setup.updates.min(REWRITES);
        }
        self.setup.scheme = scheme;
        self
    }

    pub(super) fn weight(&self) -> f64 {
        // A rewrite takes about this much longer than an append.
        let each = if self.setup.scheme == Scheme::Outlast { 1.0 } else { 20.0 };
        (self.setup.warm_up + self.setup.updates) as f64 * each
    }
}
