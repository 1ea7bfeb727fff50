//! The rows of the table: each is a run with its cost and what theory expects.

use serde::Serialize;

use crate::growth::Point;
use crate::load::Load;
use crate::run::{Cost, Scheme};
use outlast_faultsim::part::Geometry;

/// What was measured.
#[derive(Clone, Debug, Serialize)]
pub struct Results {
    /// Records of the benchmark's size that fit into a sector.
    pub slots: f64,
    /// Bytes of such a record in flash.
    pub record_bytes: u32,
    /// The store compared with theory, on parts of several sizes.
    pub against_theory: Vec<Row>,
    /// All schemes under all loads, on one part.
    pub comparison: Vec<Row>,
    /// Growth with sectors and keys.
    pub growth: Vec<Point>,
}

/// One run.
#[derive(Clone, Debug, Serialize)]
pub struct Row {
    /// The scheme that kept the settings.
    pub scheme: Scheme,
    /// Which settings changed, and how often.
    pub load: Load,
    /// The part.
    pub geometry: Geometry,
    /// Live keys.
    pub keys: u32,
    /// Bytes of a key.
    pub key_bytes: u32,
    /// Bytes of a value.
    pub value_bytes: u32,
    /// Share of the room for live records that is in use.
    pub utilisation: f64,
    /// Records of this size that fit into a sector.
    pub slots: f64,
    /// Records programmed per update. Only for the store, and only if it writes no records other
    /// than those of puts.
    pub amplification: Option<f64>,
    /// What it cost, or why the scheme cannot do it.
    pub cost: Result<Cost, String>,
    /// What theory expects.
    pub theory: Option<Theory>,
    /// How much better it is than the naive rewrite.
    pub against_naive: Option<Ratios>,
}

/// A measured figure and what is expected of it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Theory {
    /// What is compared.
    pub figure: &'static str,
    /// The source of the expectation.
    pub source: &'static str,
    /// Measured.
    pub measured: f64,
    /// Expected of a log that first cleans and then writes, as in the published analysis.
    pub published: f64,
    /// Expected of this store, whose compaction writes the change along. For factory data it takes
    /// into account in which sectors they are.
    pub expected: f64,
    /// Which of the two it is compared with.
    pub against: Against,
    /// Largest relative deviation allowed.
    pub tolerance: f64,
    /// Whether the assumption of the analysis holds that all of a sector can be used. Next to a
    /// sector full of data that never change, each change needs a seal record, and the store leaves
    /// a sector when its live records could no longer be moved together.
    pub covered: bool,
}

impl Theory {
    /// How far the measured figure is above the published analysis, as a share of it.
    pub fn off_published(&self) -> f64 {
        self.measured / self.published - 1.0
    }

    /// How far it is above the expectation for this store, as a share of it.
    pub fn off(&self) -> f64 {
        self.measured / self.expected - 1.0
    }

    /// The value that it is compared with.
    pub fn compared_with(&self) -> f64 {
        match self.against {
            Against::Published => self.published,
            Against::ThisStore => self.expected,
        }
    }

    /// Whether it agrees with that value; true if the analysis does not apply.
    pub fn met(&self) -> bool {
        !self.covered || (self.measured / self.compared_with() - 1.0).abs() <= self.tolerance
    }
}

/// What a figure is compared with.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Against {
    /// The published analysis.
    Published,
    /// The form of it that was derived for this store.
    ThisStore,
}

impl Against {
    /// A name of at most two words.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Published => "published",
            Self::ThisStore => "this store",
        }
    }
}

/// The naive rewrite's figure divided by this scheme's.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Ratios {
    /// Erases per update.
    pub erases: f64,
    /// Bytes programmed per update.
    pub programmed_bytes: f64,
    /// Typical device time per update.
    pub time: f64,
    /// Updates until the most worn sector is worn out: those of this scheme divided by those of the
    /// naive one.
    pub lifetime: f64,
    /// The same if the naive rewrite spread its erases evenly over all sectors; no rotation can do
    /// better.
    pub lifetime_rotated: f64,
}

/// Fills in how much better each row is than the naive rewrite under the same load.
pub(super) fn compare(rows: &mut [Row]) {
    let naive: Vec<(Load, Cost)> = rows
        .iter()
        .filter(|row| row.scheme == Scheme::Naive)
        .filter_map(|row| Some((row.load, row.cost.clone().ok()?)))
        .collect();
    for row in rows {
        let other = naive.iter().find(|(load, _)| *load == row.load);
        let (Some((_, naive)), Ok(cost)) = (other, &row.cost) else { continue };
        let hottest = |cost: &Cost| {
            f64::from(cost.wear.iter().copied().max().unwrap_or(0)) / cost.updates as f64
        };
        row.against_naive = Some(Ratios {
            erases: naive.erases / cost.erases,
            programmed_bytes: naive.programmed_bytes / cost.programmed_bytes,
            time: naive.typical_ns / cost.typical_ns,
            lifetime: hottest(naive) / hottest(cost),
            lifetime_rotated: naive.erases / f64::from(row.geometry.sectors) / hottest(cost),
        });
    }
}
