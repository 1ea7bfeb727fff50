//! The theory that belongs to a run.

use super::job::Job;
use super::row::{Against, Theory};
use crate::load::Load;
use crate::run::{Cost, Scheme};
use crate::theory::{Boots, Group, Order, Stream, clustered_log, finite_log, steady_state};

/// Tolerance for uniform updates, compared with the published analysis.
const UNIFORM: f64 = 0.02;
/// Tolerance for uniform updates, compared with the form of the analysis for this store.
const UNIFORM_THIS_STORE: f64 = 0.01;
/// Tolerance for everything else.
const SKEWED: f64 = 0.05;

const WRITE_AMPLIFICATION: &str = "write amplification";
const ERASES_PER_UPDATE: &str = "erases per update";
/// The source for keys that are updated unequally often.
const UNEQUAL: &str = "Desnoyers 2012 eq. 14, exact for few sectors";

impl Job {
    /// Slots used up per update: all those of a sector in each compaction. `None` where records
    /// other than puts are written.
    pub(super) fn amplification(&self, cost: &Cost) -> Option<f64> {
        let plain = self.setup.scheme == Scheme::Outlast
            && self.setup.load.updates_per_call() == 1
            && self.setup.load.updates_per_boot().is_none();
        plain.then_some(cost.erases * self.format.slots())
    }

    /// What theory expects of this run, beside what it cost.
    pub(super) fn theory(&self, cost: &Cost, amplification: Option<f64>) -> Option<Theory> {
        match self.setup.scheme {
            Scheme::Naive => self.theory_of_rewrite(1, cost),
            Scheme::TwoCopies => self.theory_of_rewrite(self.setup.geometry.sectors / 2, cost),
            Scheme::Outlast => self.theory_of_log(cost, amplification),
        }
    }

    /// Schemes that erase `copy` sectors in each call.
    fn theory_of_rewrite(&self, copy: u32, cost: &Cost) -> Option<Theory> {
        let calls = f64::from(self.setup.load.updates_per_call());
        // The keys of a batch may be in several sectors.
        (calls == 1.0 || self.setup.scheme == Scheme::TwoCopies).then(|| Theory {
            figure: ERASES_PER_UPDATE,
            source: "definition of the scheme",
            measured: cost.erases,
            published: f64::from(copy) / calls,
            expected: f64::from(copy) / calls,
            against: self.against,
            tolerance: 0.0,
            covered: true,
        })
    }

    fn theory_of_log(&self, cost: &Cost, amplification: Option<f64>) -> Option<Theory> {
        let groups = self.setup.load.groups(self.setup.keys);
        let record = f64::from(self.format.records.first().copied()?);
        let slots = self.format.slots();
        let tolerance = match (groups.len(), self.against) {
            (1, Against::Published) => UNIFORM,
            (1, Against::ThisStore) => UNIFORM_THIS_STORE,
            _ => SKEWED,
        };
        let log = |order| finite_log(self.setup.geometry.sectors, slots, &groups, order);
        let theory = Theory {
            figure: WRITE_AMPLIFICATION,
            source: UNEQUAL,
            measured: 0.0,
            published: log(Order::CleanThenWrite)?,
            expected: log(Order::WriteAlong)?,
            against: self.against,
            tolerance,
            covered: true,
        };
        if self.setup.load == Load::FactoryData {
            let fixed = self.as_written(slots, &groups)?;
            return Some(Theory {
                // Slots used up, so that records other than puts count by their size.
                measured: cost.erases * slots,
                expected: clustered_log(slots, &fixed, groups.first()?.keys)?,
                // A sector with only a tenth of its slots for changes is effectively full.
                covered: fixed.iter().all(|held| *held < 0.9 * slots),
                ..theory
            });
        }
        if let Some(measured) = amplification {
            let alike = groups.len() == 1;
            let source =
                if alike { "Desnoyers 2012 eq. 4, exact for few sectors" } else { UNEQUAL };
            return Some(Theory { source, measured, ..theory });
        }
        let expected = self.erases_per_update(record)?;
        Some(Theory {
            figure: ERASES_PER_UPDATE,
            source: "balance of log bytes",
            measured: cost.erases,
            published: expected,
            expected,
            tolerance: SKEWED,
            ..theory
        })
    }

    /// How many records of factory data each sector of the log holds, oldest sector first, if all
    /// keys were first written in one go, starting with those that change.
    fn as_written(&self, slots: f64, groups: &[Group]) -> Option<Vec<f64>> {
        let &[changing, fixed] = groups else { return None };
        let mut skip = changing.keys;
        let mut left = fixed.keys;
        let sectors = (1..self.setup.geometry.sectors).map(|_| {
            let held = (slots - skip).min(left);
            (skip, left) = (0.0, left - held);
            held
        });
        Some(sectors.collect())
    }

    /// Erases for each update, for loads that write records other than puts.
    fn erases_per_update(&self, record: f64) -> Option<f64> {
        let room = self.format.room(&self.setup.geometry);
        let keys = f64::from(self.setup.keys);
        let per_call = f64::from(self.setup.load.updates_per_call());
        let commit = if per_call > 1.0 { self.batch_bytes / per_call } else { 0.0 };
        let stream = Stream { keys, rate: 1.0 / keys, appended: record + commit, copied: record };
        let boots = self.setup.load.updates_per_boot().map(|every| Boots {
            rate: 1.0 / f64::from(every),
            bytes: f64::from(self.format.settle) + record,
            page: Some(self.setup.geometry.page.into()),
            updates_between: vec![(every.into(), 1.0)],
        });
        Some(1.0 / steady_state(&room, &[stream], boots.as_ref())?.interval)
    }
}
