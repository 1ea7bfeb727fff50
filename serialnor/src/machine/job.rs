//! What a call wants done, one command after the other.

use crate::checksum::Checksum;

/// A job.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Job {
    /// To wait until the chip is idle, and to clear its latch.
    None,
    /// To set the address mode.
    Mode,
    /// To program bytes within one page with one command. If there is a checksum, the bytes are
    /// compared with it when they are read back, otherwise with the data.
    Program { at: u32, len: u32, sum: Option<Checksum> },
    /// To erase a range: first these bytes, with the erase type of this index.
    Erase { at: u32, to: u32, bytes: u32, kind: u8, is_repeated: bool },
    /// To send the data as they are, after write enable, and to wait up to this many microseconds.
    Own { longest_us: u32 },
}

impl Job {
    /// Where the next command of the job works, and on how many bytes.
    pub(super) const fn range(&self) -> (u32, u32) {
        match *self {
            Self::None | Self::Mode | Self::Own { .. } => (0, 0),
            Self::Program { at, len, .. } => (at, len),
            Self::Erase { at, bytes, .. } => (at, bytes),
        }
    }
}
