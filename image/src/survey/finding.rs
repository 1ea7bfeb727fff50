//! What a survey finds out of the ordinary.

/// Something out of the ordinary.
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
    /// The last record was cut off.
    Torn,
    /// Something was begun at the end of the log and cut off.
    Begun,
    /// The last tick of a counter was cut off.
    TickCut,
    /// The last batch has no commit.
    NoCommit,
    /// A mount was cut off.
    MountCut,
    /// A sector's erase or turn was cut off.
    TurnCut,
    /// The dump ends before the region does.
    Missing,
    /// A live record fails its checks.
    LiveDamaged,
    /// A record that counts no more fails its checks: nothing is lost.
    OldDamaged,
    /// A sector's walk stops early: what stands behind is not reached.
    Hidden,
    /// A sector of the log whose opening does not read.
    OpeningLost,
    /// A sector newer than the head, whose opening or mark is lost: a mount passes over it.
    NewerLost,
    /// The same, or a turn that was cut off with more changes than is usual.
    NewerDoubtful,
    /// A page that holds data is not in the file as a whole.
    Gap,
    /// The file has no end record.
    FileCut,
    /// The file lacks some of its blocks.
    BlocksMissing,
}

impl Kind {
    /// Whether it is damage, not a trace of an interruption.
    #[must_use]
    pub const fn is_damage(self) -> bool {
        match self {
            Self::Torn
            | Self::Begun
            | Self::TickCut
            | Self::NoCommit
            | Self::MountCut
            | Self::TurnCut => false,
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
