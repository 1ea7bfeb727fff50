//! A record and its address in a line of text.

use std::fmt;

use outlast_kvstore::inspect::{Record, RecordKind, Region};

use crate::names;

/// What a record is: `put gauge.datum`.
#[must_use]
pub fn title(record: &Record) -> String {
    let name = kind(record.kind);
    if record.key.is_empty() {
        name.to_owned()
    } else {
        format!("{name} {}", names::show(&record.key))
    }
}

/// A record's kind.
#[must_use]
pub const fn kind(kind: RecordKind) -> &'static str {
    match kind {
        RecordKind::Tally => "tally",
        RecordKind::Put => "put",
        RecordKind::Delete => "delete",
        RecordKind::Lost => "lost",
        RecordKind::PendingPut => "batch put",
        RecordKind::PendingDelete => "batch delete",
        RecordKind::Commit => "commit",
        RecordKind::Settle => "settle",
        RecordKind::Seal => "seal",
        RecordKind::Rest => "rest",
        RecordKind::Spare => "spare erased",
        RecordKind::SpareOver => "second spare erased",
    }
}

/// An address in a region, as a sector and an offset in it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Address {
    /// Physical number of the sector.
    pub sector: u32,
    /// Bytes from the start of the sector.
    pub offset: u32,
}

impl Address {
    /// The address `at`, counted from the start of the region.
    #[must_use]
    pub const fn new(region: &Region<'_>, at: u32) -> Self {
        let size = region.shape().sector_bytes;
        Self { sector: at / size, offset: at % size }
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "sector {} + 0x{:04x}", self.sector, self.offset)
    }
}
