//! Sectors as a survey describes them.

use outlast_kvstore::inspect::{NotOpening, SectorInfo};

/// The role of a sector in the log.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// The newest sector of the log, which takes new records.
    Head,
    /// Part of the log, neither its newest nor its oldest sector.
    Log,
    /// The oldest sector of the log.
    Tail,
    /// Was part of the log before it moved on, or before a factory reset.
    Retired,
    /// Opened after the head, but never counted: its compaction was interrupted.
    Unfinished,
    /// The log goes on without it: when its turn came last, it could not be erased or took no
    /// programs.
    PassedOver,
    /// Erased: all `FF`, except for the unit that shows that it takes programs.
    Blank,
    /// Not in use, and not blank: an interrupted compaction never wrote its opening, or its erase
    /// was interrupted. The sector is sound; the compaction that takes it next erases it first.
    Unused,
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
            Self::PassedOver => "passed-over",
            Self::Blank => "blank",
            Self::Unused => "unused",
            Self::Stray => "stray",
            Self::Missing => "missing",
        }
    }
}

/// A sector.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sector {
    /// Its role in the log.
    pub role: Role,
    /// What its opening says.
    pub info: Option<SectorInfo>,
    /// Whether a copy of its opening can be read.
    pub opening: Result<(), NotOpening>,
    /// The address after its last record.
    pub end: u32,
    /// Bytes of records that count.
    pub live_bytes: u32,
}

/// How a sector came to hold records newer than the head.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Standing {
    /// A compaction was interrupted: it holds copies, and the changes of one call.
    Interrupted,
    /// The same, but with more changes than one call usually makes: perhaps the decision was lost.
    Doubtful,
    /// It counted, and then its openings or the decision about it were lost.
    Lost,
}
