//! Records as a survey describes them.

use outlast_kvstore::inspect::Record;

/// Why a record does not count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Void {
    /// The last program before a cut, not complete.
    Torn,
    /// Behind the end of the log that the mount accepted which wrote the settle record here.
    NotAccepted(u32),
    /// Behind the end of the sector that the next sector names.
    BehindEnd,
    /// A batch without its commit.
    NoCommit,
    /// A copy that the settle record here handed on.
    HandedOn(u32),
    /// In a sector that is no longer part of the log.
    Retired,
    /// From before a factory reset.
    BeforeReset,
    /// In a sector whose turn was interrupted.
    Unfinished,
    /// There is no log.
    NoLog,
    /// The next mount drops it for want of room: it was never acknowledged.
    NoRoom,
}

/// Whether a record counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// A value that a `get` gives.
    Live,
    /// Counted until the record with this number.
    Replaced(usize),
    /// A delete, commit, settle record or seal that does its work.
    InForce,
    /// Does not count.
    Void(Void),
}

/// A record of the image.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Entry<'a> {
    /// The record.
    pub record: Record<'a>,
    /// Physical sector.
    pub sector: u32,
    /// Epoch and sequence number of the sector.
    pub life: (u32, u32),
    /// Whether it passes its checks.
    pub passes: bool,
    /// Whether it counts.
    pub state: State,
    /// The number of the settle record that carries it.
    pub carried_by: Option<usize>,
}
