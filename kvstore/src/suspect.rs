//! What recovery knows of the end of the log.

use crate::record::Found;

/// What a mount decided about the end of the log.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Verdict {
    /// Offset where the accepted log ends.
    pub(crate) accepted: u32,
    /// Offset of the place that holds no record.
    pub(crate) stop: u32,
    /// The record behind that end which is accepted all the same, and must be copied.
    pub(crate) suspect: Option<Suspect>,
    /// The settle record that carries it; `None` if it stands in the log itself.
    pub(crate) carrier: Option<Found>,
}

impl Verdict {
    pub(crate) const NONE: Self = Self { accepted: 0, stop: 0, suspect: None, carrier: None };
}

/// A record that passed its checks but may have been the last program before a cut.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Suspect {
    pub(crate) found: Found,
    /// If it is a commit: the addresses it names.
    pub(crate) extent: (u32, u32),
}

impl Suspect {
    /// A record in the log, and where the pending records begin that end right before it: if it is a
    /// commit, it names these. So its value need not be readable.
    pub(crate) const fn new(found: Found, batch: u32) -> Self {
        Self { found, extent: (batch, found.address) }
    }
}

/// What became of an attempt to settle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Settled {
    Done,
    NoRoom,
    /// The suspect passed its checks before and does not now.
    Flickers,
}

/// What a whole settle record says.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Settle {
    /// Offset where the accepted log ends.
    pub(crate) accepted: u32,
    /// The copy it carries.
    pub(crate) cargo: Option<Suspect>,
}

/// How much of a key a walk reads along with the header, at the most.
pub(crate) const START: usize = 16;

/// A record whose part in the log depends on what stands behind it.
#[derive(Clone, Copy)]
pub(crate) struct Held {
    pub(crate) found: Option<Found>,
    pub(crate) says: Says,
}

/// What is known of a record but its header.
#[derive(Clone, Copy)]
pub(crate) enum Says {
    /// The start of its key, and where the pending records begin that end right before it.
    Key { start: [u8; START], batch: u32 },
    /// It is a settle record that a walk found where it met no other record.
    Settle(Settle),
}

impl Held {
    pub(crate) const NONE: Self = Self { found: None, says: Says::Key { start: [0; _], batch: 0 } };
}
