//! Records that a walk has met, and that it cannot apply yet.

use crate::format::record::RecordRef;
use crate::log::log_end::Suspect;
use crate::log::lookup::KEY_START;

/// What a whole settle record says.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Settle {
    /// Offset where the accepted log ends.
    pub(crate) accepted: u32,
    /// The carried record.
    pub(crate) carried: Option<Suspect>,
}

/// A record that counts or not depending on what follows it.
#[derive(Clone, Copy)]
pub(crate) struct Held {
    pub(crate) found: Option<RecordRef>,
    pub(crate) detail: Detail,
}

/// What is known of a record besides its header.
#[derive(Clone, Copy)]
pub(crate) enum Detail {
    /// The start of its key, and the address where the pending records that end right before it
    /// begin.
    Key { start: [u8; KEY_START], batch: u32 },
    /// It is a settle record, found where no record could be read.
    Settle(Settle),
}

impl Held {
    pub(crate) const NONE: Self =
        Self { found: None, detail: Detail::Key { start: [0; _], batch: 0 } };
}
