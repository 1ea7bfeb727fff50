//! Where the log ends, and which record at its end is in doubt.

use crate::format::record::RecordRef;

/// What a mount decided about the end of the log.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LogEnd {
    /// Offset where the accepted log ends.
    pub(crate) accepted: u32,
    /// Offset of the first place without a record.
    pub(crate) stop: u32,
    /// A record after that end that is accepted too, but must be copied.
    pub(crate) suspect: Option<Suspect>,
    /// The settle record that carries the suspect; `None` if it stands in the log itself.
    pub(crate) carrier: Option<RecordRef>,
}

impl LogEnd {
    pub(crate) const NONE: Self = Self { accepted: 0, stop: 0, suspect: None, carrier: None };
}

/// A record that passed its checks but may have been the last program before a cut.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Suspect {
    pub(crate) found: RecordRef,
    /// For a commit, the addresses of the start and end of its batch.
    pub(crate) extent: (u32, u32),
}

impl Suspect {
    /// A record in the log. If it is a commit, its batch is the pending records that start at
    /// `batch` and end right before it, so its value need not be readable.
    pub(crate) const fn new(found: RecordRef, batch: u32) -> Self {
        Self { found, extent: (batch, found.address) }
    }
}
