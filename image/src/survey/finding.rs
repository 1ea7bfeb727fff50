//! Interruptions and damage that a survey finds.

/// A trace of an interruption, or damage.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// What it is.
    pub kind: Kind,
    /// Where, as an address in the region.
    pub address: u32,
    /// Keys whose value is in doubt because of it.
    pub keys: Vec<Vec<u8>>,
}

/// Kinds of findings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Writing the last record was interrupted.
    Torn,
    /// A program at the end of the log was interrupted.
    Begun,
    /// The last tick of a counter was interrupted.
    TickCut,
    /// The last batch has no commit.
    NoCommit,
    /// A mount was interrupted.
    MountCut,
    /// A compaction was interrupted, or the erase before it.
    CompactionCut,
    /// The dump ends before the region does.
    Missing,
    /// A record lacks one zero, as an interrupted program can leave it; a mount completes it.
    Completed,
    /// A record has one wrong bit, which every reading corrects.
    Repaired,
    /// A live record fails its checks.
    LiveDamaged,
    /// A record fails its checks, and its key may be wrong too: no older record has it. A setting
    /// written before it may have had a newer value.
    NameDamaged,
    /// The value of a key was damaged when its record was to be moved, and is gone.
    ValueLost,
    /// A record that no longer counts fails its checks; nothing is lost.
    OldDamaged,
    /// No record can be read at a place in the log, which goes on after it. A setting written
    /// before it may have had a newer value.
    Unreadable,
    /// The walk of the head stops early and does not reach the records after that point.
    Hidden,
    /// A sector of the log neither of whose openings can be read.
    OpeningLost,
    /// One copy of the opening of a sector of the log cannot be read; nothing is lost.
    OpeningCopyLost,
    /// A sector newer than the head whose openings, or the decision about it, are lost, so that a
    /// mount ignores it.
    NewerLost,
    /// The same, or an interrupted compaction with more changes than is usual.
    NewerDoubtful,
    /// Part of a page that holds data is not in the file.
    Gap,
    /// The file has no end record.
    FileCut,
    /// The file lacks some of its blocks.
    BlocksMissing,
}

impl Kind {
    /// Whether it is damage and not just the trace of an interruption.
    #[must_use]
    pub const fn is_damage(self) -> bool {
        match self {
            Self::Torn
            | Self::Begun
            | Self::TickCut
            | Self::NoCommit
            | Self::MountCut
            | Self::CompactionCut
            | Self::Completed => false,
            Self::Missing
            | Self::Repaired
            | Self::LiveDamaged
            | Self::NameDamaged
            | Self::ValueLost
            | Self::OldDamaged
            | Self::Unreadable
            | Self::Hidden
            | Self::OpeningLost
            | Self::OpeningCopyLost
            | Self::NewerLost
            | Self::NewerDoubtful
            | Self::Gap
            | Self::FileCut
            | Self::BlocksMissing => true,
        }
    }

    /// Whether it may have cost a value, or left an older one.
    #[must_use]
    pub const fn may_cost_values(self) -> bool {
        self.is_damage()
            && !matches!(self, Self::OldDamaged | Self::Repaired | Self::OpeningCopyLost)
    }
}
