//! What a part on a serial bus holds besides its cells, as long as it has power.

use super::cut::BusCut;

/// State of the commands; empty at power-up. Kept by [`super::Chip`], used by [`super::spi`].
#[derive(Debug, Default)]
pub(crate) struct Volatile {
    /// Time since power-up, in nanoseconds.
    pub(crate) now_ns: u64,
    pub(crate) busy: Option<Busy>,
    /// Write enable latch.
    pub(crate) latch: bool,
    /// In deep power-down.
    pub(crate) asleep: bool,
    /// Plain commands take four address bytes.
    pub(crate) four_byte: bool,
    /// The last command was "reset enable".
    pub(crate) reset_enabled: bool,
    /// Write enable commands so far.
    pub(crate) enables: u32,
    /// Bytes and pauses so far.
    pub(crate) moments: u64,
    pub(crate) cut: Option<(u64, BusCut)>,
    /// The microcontroller was reset: the code under test has ended.
    pub(crate) is_reset: bool,
    /// Code has been started on this state.
    pub(crate) is_started: bool,
}

/// Work under way.
#[derive(Debug)]
pub(crate) struct Busy {
    pub(crate) work: Work,
    pub(crate) from_ns: u64,
    pub(crate) until_ns: u64,
}

/// What becomes of the cells when it is done. Addresses are those of the cells.
#[derive(Debug)]
pub(crate) enum Work {
    /// Something without effect on the cells.
    Nothing,
    /// Pieces of one page: more than one if the bytes wrapped.
    Program(Vec<(u32, Vec<u8>)>),
    Erase {
        from: u32,
        to: u32,
    },
}
