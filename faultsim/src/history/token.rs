//! What a token stands for: everything that is needed to run one history again.

use super::path::Path;
use super::power_cycle::LifeChoices;
use crate::check::finding::Breach;
use crate::part::{BadKind, Geometry, Level};
use crate::workload::source::WorkloadSource;

pub(super) const PREFIX: &str = "cut2-";
/// Limits of what a token may ask for. No run worth a token is larger, and memory is limited.
pub(super) const MOST_OPS: u32 = 1 << 20;
pub(super) const MOST_BYTES: u32 = 1 << 26;

/// Everything that is needed to run one history again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Token {
    /// Name of the subject.
    pub subject: String,
    /// Sizes of the part.
    pub geometry: Geometry,
    /// Fault level the tears are taken from.
    pub level: Level,
    /// Seed of everything drawn at random.
    pub seed: u64,
    /// What went wrong.
    pub breach: Breach,
    pub(crate) origin: Origin,
}

/// The choices of a history.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Origin {
    Systematic {
        source: WorkloadSource,
        /// What is left of the workload if it was shrunk.
        kept: Option<Kept>,
        thin: u32,
        path: Path,
        /// At F7: when a sector goes bad.
        bad: Option<BadStart>,
        /// Digest of the image after the last cut.
        digest: u16,
    },
    Random(LifeChoices),
}

/// When a sector goes bad before the first cut, and what is cut.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct BadStart {
    /// The operations before this one are not cut, counted over all operations. After them the next
    /// erase makes its sector bad.
    pub(crate) from: u32,
    /// What the sector does then; `None` if a sector goes bad after a cut only.
    pub(crate) kind: Option<BadKind>,
}

/// What is left of a workload that was shrunk.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Kept {
    /// Indices of the operations that are left, counted over prelude and explored operations. All
    /// of these are explored.
    pub(crate) ops: Vec<u32>,
    /// Longer values are truncated to this length.
    pub(crate) most_value: u32,
    /// The part that the workload was made for, if the one of the token is smaller.
    pub(crate) made_for: Option<Geometry>,
    /// A setting whose values are made longer, so that a few of them fill the part.
    pub(crate) longer: Option<Longer>,
}

/// The least length of the values that are written to a setting. An empty value stays empty.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Longer {
    pub(crate) key: u16,
    pub(crate) bytes: u32,
}

impl Longer {
    /// Whether this many operations with such values take no more memory than a token may ask for.
    pub(crate) fn is_possible(self, ops: usize) -> bool {
        ops as u64 * u64::from(self.bytes) <= u64::from(MOST_BYTES)
    }
}

/// Why a text is no token.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum TokenError {
    /// It does not begin like one.
    NoToken,
    /// A character is wrong or missing.
    Damaged,
    /// It is intact but means nothing to this version.
    Unknown,
}

impl std::fmt::Display for TokenError {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NoToken => write!(formatter, "a token begins with '{PREFIX}'"),
            Self::Damaged => formatter.write_str("the token is damaged: check that it is whole"),
            Self::Unknown => formatter.write_str("the token was made by another version"),
        }
    }
}

impl std::error::Error for TokenError {}
