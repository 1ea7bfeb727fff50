//! Records that a walk has met and whose part in the log is not decided yet.

use crate::format::record::RecordRef;
use crate::log::log_end::Suspect;
use crate::log::lookup::KEY_START;

/// What a whole settle record says.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Settle {
    /// Offset where the accepted log ends.
    pub(crate) accepted: u32,
    /// The copy it carries.
    pub(crate) carried: Option<Suspect>,
}

/// A record whose part in the log depends on what stands behind it.
#[derive(Clone, Copy)]
pub(crate) struct Held {
    pub(crate) found: Option<RecordRef>,
    pub(crate) says: Says,
}

/// What is known of a record but its header.
#[derive(Clone, Copy)]
pub(crate) enum Says {
    /// The start of its key, and where the pending records begin that end right before it.
    Key { start: [u8; KEY_START], batch: u32 },
    /// It is a settle record that a walk found where it met no other record.
    Settle(Settle),
}

impl Held {
    pub(crate) const NONE: Self = Self { found: None, says: Says::Key { start: [0; _], batch: 0 } };
}
