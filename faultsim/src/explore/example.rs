//! The results of exploring, and when to stop.

use std::collections::BTreeMap;

use super::images::Fingerprint;
use crate::ablation::Mechanisms;
use crate::check::finding::{Finding, Signature};
use crate::config::Config;
use crate::history::path::Path;
use crate::report::{Counts, WorstCase};

/// The simplest example of a signature, and how many images have that signature.
#[derive(Clone, Debug)]
pub(crate) struct Example {
    pub(crate) count: u64,
    pub(crate) path: Path,
    pub(crate) finding: Finding,
}

pub(crate) type Examples = BTreeMap<Signature, Example>;

/// The result of one cut point.
#[derive(Debug, Default)]
pub(crate) struct PointResult {
    pub(crate) counts: Counts,
    pub(crate) findings: Examples,
    pub(crate) worst: WorstCase,
    pub(crate) fingerprints: Vec<Fingerprint>,
    pub(crate) kills: Kills,
    pub(crate) finished: bool,
}

/// The results of all cut points of a workload.
#[derive(Debug)]
pub(crate) struct Explored {
    /// Without the number of distinct images.
    pub(crate) counts: Counts,
    pub(crate) worst: WorstCase,
    pub(crate) findings: Examples,
    pub(crate) kills: Kills,
    /// Fingerprints of all images, with repetitions between cut points.
    pub(crate) fingerprints: Vec<Fingerprint>,
}

impl Explored {
    /// The results of `planned` cut points of which none was explored yet.
    pub(crate) fn none_of(planned: u64) -> Self {
        Self {
            counts: Counts { planned, ..Counts::default() },
            worst: WorstCase::default(),
            findings: Examples::new(),
            kills: Kills::new(),
            fingerprints: Vec::new(),
        }
    }

    /// Adds the result of a cut point. The example with the fewest cuts stays for each signature.
    pub(crate) fn add(&mut self, mut result: PointResult) {
        for (mechanisms, images) in result.kills {
            self.kills.entry(mechanisms).or_insert(self.counts.judged + images);
        }
        self.counts.add(&result.counts);
        self.counts.done += u64::from(result.finished);
        self.worst.merge(&result.worst);
        self.fingerprints.append(&mut result.fingerprints);
        for (signature, example) in result.findings {
            match self.findings.get_mut(&signature) {
                None => {
                    self.findings.insert(signature, example);
                }
                Some(known) => {
                    let count = known.count + example.count;
                    if example.path.cuts.len() < known.path.cuts.len() {
                        *known = example;
                    }
                    known.count = count;
                }
            }
        }
    }
}

/// For each set of mechanisms that a failing image took: how many images were judged up to the
/// first one. Counted within a cut point until the report.
pub(crate) type Kills = BTreeMap<Mechanisms, u64>;

/// When to stop before the end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Stop<'run> {
    Never,
    AtFirst,
    /// At the first finding with this signature; others are dropped.
    AtFirstLike(&'run Signature),
}

impl Stop<'_> {
    /// As the configuration says.
    pub(crate) const fn of(config: &Config) -> Self {
        if config.stop_at_first { Self::AtFirst } else { Self::Never }
    }

    /// Whether a finding is wanted.
    pub(crate) fn keeps(self, signature: &Signature) -> bool {
        match self {
            Self::AtFirstLike(wanted) => wanted == signature,
            _ => true,
        }
    }
}

impl Counts {
    pub(crate) fn add(&mut self, other: &Self) {
        self.cuts += other.cuts;
        self.judged += other.judged;
        self.represented += other.represented;
        self.power_ups += other.power_ups;
        self.violating += other.violating;
        self.collateral_loss += other.collateral_loss;
        self.repeated_zeros += other.repeated_zeros;
        self.failed_calls += other.failed_calls;
        self.stayed_down += other.stayed_down;
        self.coverage.add(&other.coverage);
        if self.judged_by_cuts.len() < other.judged_by_cuts.len() {
            self.judged_by_cuts.resize(other.judged_by_cuts.len(), 0);
        }
        for (mine, theirs) in self.judged_by_cuts.iter_mut().zip(&other.judged_by_cuts) {
            *mine += theirs;
        }
    }
}
