//! Where the log ends, and which record at its end is in doubt.

use crate::format::geometry::Geometry;
use crate::format::record::{Header, Kind, RecordRef, SETTLE};

/// What a mount decided about the end of the log. Places are addresses.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LogEnd {
    /// Where the accepted log ends.
    pub(crate) accepted: u32,
    /// The first place without a record.
    pub(crate) stop: u32,
    /// A record after that end that is accepted too, but must be copied.
    pub(crate) suspect: Option<Suspect>,
    /// If the last record has no content, the change before it. That becomes the suspect if the last
    /// record does not pass the next time.
    pub(crate) next_suspect: Option<Suspect>,
    /// Where the log ends if the suspect is dropped.
    pub(crate) without_suspect: u32,
}

impl LogEnd {
    /// The end of a log that is accepted up to this address, without a suspect.
    pub(crate) const fn at(accepted: u32) -> Self {
        let (stop, without_suspect) = (accepted, u32::MAX);
        Self { accepted, stop, suspect: None, next_suspect: None, without_suspect }
    }
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

impl Geometry {
    /// The carried record, which has this header, of the settle record at an address.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn carried_record(&self, settle: u32, header: Header) -> RecordRef {
        let address = self.content_at(settle, self.header() + SETTLE);
        RecordRef { address, header }
    }

    /// The settle record that would go into the page at this address.
    pub(crate) fn settle_record(&self, page: u32, log_end: &LogEnd) -> RecordRef {
        let address = page + self.unit;
        let value_len = log_end.suspect.map_or(SETTLE, |suspect| {
            let carried = self.carried_record(address, suspect.found.header.plain());
            SETTLE + self.content_between(carried.address, self.end(carried) - 1) + 1
        });
        RecordRef { address, header: Header::new(Kind::Settle, 0, value_len) }
    }
}
