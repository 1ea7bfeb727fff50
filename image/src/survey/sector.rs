//! Sectors as a survey describes them.

use outlast_kvstore::inspect::{Facts, NotOpening};

/// What a sector is to the log.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// Takes appends.
    Head,
    /// Part of the log.
    Log,
    /// The oldest sector of the log.
    Tail,
    /// Was part of the log before it moved on, or before a factory reset.
    Retired,
    /// Opened behind the head, but never counted: its turn was interrupted.
    Unfinished,
    /// All `FF`.
    Blank,
    /// Its opening was made unreadable by zeros, or was never written.
    Dead,
    /// Has an opening, but there is no log.
    Stray,
    /// Not in the dump.
    Missing,
}

impl Role {
    /// One word.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Head => "head",
            Self::Log => "log",
            Self::Tail => "tail",
            Self::Retired => "retired",
            Self::Unfinished => "unfinished",
            Self::Blank => "blank",
            Self::Dead => "dead",
            Self::Stray => "stray",
            Self::Missing => "missing",
        }
    }
}

/// A sector.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sector {
    /// What it is to the log.
    pub role: Role,
    /// What its opening says, or a settle record in it.
    pub facts: Option<Facts>,
    /// Whether the opening itself reads.
    pub opening: Result<(), NotOpening>,
    /// Address of the place behind its last record.
    pub end: u32,
    /// Bytes of records that count.
    pub live_bytes: u32,
}

/// What a sector with records newer than the head is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Standing {
    /// What a turn leaves that was cut off: copies, and what one call changes.
    Turn,
    /// As such, but one call has changed more than is usual: perhaps the mark was lost.
    Doubtful,
    /// It counted, and its opening or mark was lost.
    Lost,
}
