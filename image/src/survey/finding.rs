//! Interruptions and damage that a survey finds.

/// A trace of an interruption, or damage.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding<'a> {
    /// What it is.
    pub kind: Kind,
    /// Where, as an address in the region.
    pub address: u32,
    /// Keys whose value is in doubt because of it.
    pub keys: Vec<&'a [u8]>,
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
    /// A live record fails its checks.
    LiveDamaged,
    /// A record that no longer counts fails its checks; nothing is lost.
    OldDamaged,
    /// The walk of a sector stops early and does not reach the records after that point.
    Hidden,
    /// A sector of the log whose opening cannot be read.
    OpeningLost,
    /// A sector newer than the head whose opening or mark is lost, so that a mount ignores it.
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
            | Self::CompactionCut => false,
            Self::Missing
            | Self::LiveDamaged
            | Self::OldDamaged
            | Self::Hidden
            | Self::OpeningLost
            | Self::NewerLost
            | Self::NewerDoubtful
            | Self::Gap
            | Self::FileCut
            | Self::BlocksMissing => true,
        }
    }
}
