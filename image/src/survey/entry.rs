//! Records as a survey describes them.

use outlast_kvstore::inspect::{Record, RecordKind};

/// Why a record does not count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Void {
    /// The program that wrote it was interrupted.
    Torn,
    /// After the end of the log that a mount accepted; the address is that mount's settle record.
    NotAccepted(u32),
    /// After the end of its sector, as the next sector records it.
    PastEnd,
    /// A batch without its commit.
    NoCommit,
    /// A carried copy that the settle record at this address carries again.
    HandedOn(u32),
    /// In a sector that is no longer part of the log.
    Retired,
    /// From before a factory reset.
    BeforeReset,
    /// In a sector whose compaction was interrupted.
    Unfinished,
    /// There is no log.
    NoLog,
    /// It fails its checks, and no older record has its key. A device does not believe its key.
    Damaged,
    /// The next mount drops it because there is no room; it was never acknowledged.
    NoRoom,
}

/// Whether a record counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// The value that `get` returns.
    Live,
    /// Counted until the record with this number was written.
    Replaced(usize),
    /// A delete, commit, settle record, seal or rest record in effect.
    InForce,
    /// Does not count.
    Void(Void),
}

/// A record of the image.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// The record.
    pub record: Record,
    /// The physical number of its sector.
    pub sector: u32,
    /// Epoch and sequence number of the sector.
    pub generation: (u32, u32),
    /// Whether it passes its checks.
    pub passes: bool,
    /// Whether it counts.
    pub state: State,
    /// The number of the settle record that carries it.
    pub carried_by: Option<usize>,
}

impl Entry {
    /// Whether a value can be read from it.
    #[must_use]
    pub fn has_value(&self) -> bool {
        self.passes && self.record.kind != RecordKind::Lost
    }
}
