//! Where the log ends, as a mount decides.

use crate::format::record::RecordRef;

/// What a mount decided about the end of the log.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LogEnd {
    /// Offset where the accepted log ends.
    pub(crate) accepted: u32,
    /// Offset of the place that holds no record.
    pub(crate) stop: u32,
    /// The record behind that end which is accepted all the same, and must be copied.
    pub(crate) suspect: Option<Suspect>,
    /// The settle record that carries it; `None` if it stands in the log itself.
    pub(crate) carrier: Option<RecordRef>,
}

impl LogEnd {
    pub(crate) const NONE: Self = Self { accepted: 0, stop: 0, suspect: None, carrier: None };
}

/// A record that passed its checks but may have been the last program before a cut.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Suspect {
    pub(crate) found: RecordRef,
    /// If it is a commit: the addresses it names.
    pub(crate) extent: (u32, u32),
}

impl Suspect {
    /// A record in the log, and where the pending records begin that end right before it: if it is a
    /// commit, it names these. So its value need not be readable.
    pub(crate) const fn new(found: RecordRef, batch: u32) -> Self {
        Self { found, extent: (batch, found.address) }
    }
}
