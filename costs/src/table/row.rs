//! The rows of the table: each a run, what it cost and what was expected.

use serde::Serialize;

use crate::growth::Point;
use crate::load::Load;
use crate::run::{Cost, Scheme};
use outlast_faultsim::device::Geometry;

/// What was measured.
#[derive(Clone, Debug, Serialize)]
pub struct Results {
    /// Records of the benchmark's size that a sector takes.
    pub slots: f64,
    /// Bytes of such a record in flash.
    pub record_bytes: u32,
    /// The store against theory, on parts of several sizes.
    pub against_theory: Vec<Row>,
    /// All schemes under all loads on one part.
    pub comparison: Vec<Row>,
    /// Growth with sectors and keys.
    pub growth: Vec<Point>,
}

/// One run.
#[derive(Clone, Debug, Serialize)]
pub struct Row {
    /// How settings were kept.
    pub scheme: Scheme,
    /// Which changed how often.
    pub load: Load,
    /// The part.
    pub geometry: Geometry,
    /// Live keys.
    pub keys: u32,
    /// Bytes of a key.
    pub key_bytes: u32,
    /// Bytes of a value.
    pub value_bytes: u32,
    /// Share of the room for live records that they take.
    pub utilisation: f64,
    /// Records of this size that a sector takes.
    pub slots: f64,
    /// Records programmed per update; of the store only, and not where other records than puts
    /// are written.
    pub amplification: Option<f64>,
    /// What it cost; or why the scheme cannot do it.
    pub cost: Result<Cost, String>,
    /// What theory expects.
    pub theory: Option<Theory>,
    /// How much better than the naive rewrite.
    pub against_naive: Option<Ratios>,
}

/// A measured figure and what is expected of it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Theory {
    /// What is compared.
    pub figure: &'static str,
    /// Where the expectation comes from.
    pub source: &'static str,
    /// Measured.
    pub measured: f64,
    /// Expected of a log that cleans first and then writes, as in the published analysis.
    pub published: f64,
    /// Expected of this store, whose turn takes the change along; of factory data, where they lie.
    pub expected: f64,
    /// Which of the two it is held against.
    pub against: Against,
    /// Largest share that it may be off.
    pub tolerance: f64,
    /// Whether what the analysis takes for granted holds: that all of a sector can be used. Beside
    /// a sector full of data that never change each change needs a seal record, and a sector is
    /// left when what lives in it could no longer be moved on together.
    pub covered: bool,
}

impl Theory {
    /// Share by which the measured figure is above what the published analysis gives.
    pub fn off_published(&self) -> f64 {
        self.measured / self.published - 1.0
    }

    /// Share by which it is above what is expected of this store.
    pub fn off(&self) -> f64 {
        self.measured / self.expected - 1.0
    }

    /// What it is held against.
    pub fn judge(&self) -> f64 {
        match self.against {
            Against::Published => self.published,
            Against::ThisStore => self.expected,
        }
    }

    /// Whether it agrees with that; true where nothing is expected.
    pub fn met(&self) -> bool {
        !self.covered || (self.measured / self.judge() - 1.0).abs() <= self.tolerance
    }
}

/// What a figure is held against.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Against {
    /// The published analysis.
    Published,
    /// The form of it that is worked out for this store.
    ThisStore,
}

impl Against {
    /// In two words at the most.
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
    /// Updates until the most worn sector is worn out: this scheme's over the naive one's.
    pub lifetime: f64,
    /// The same if the naive rewrite spread its erases evenly over all sectors, which no rotation
    /// can surpass.
    pub lifetime_rotated: f64,
}

/// Fills in how much better than the naive rewrite under the same load each row is.
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
