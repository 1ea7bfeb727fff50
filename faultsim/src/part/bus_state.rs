//! The volatile state of a part on a serial bus: everything besides its cells that it loses with
//! its power.

use super::cut::BusCut;

/// The state of the command interpreter, reset at power-up. Kept by [`super::Chip`], used by
/// [`super::spi`].
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
    /// The protection bits of the status register, if they were written since power-up.
    pub(crate) protection: Option<u8>,
    /// 50h was received, which allows one write of the status register.
    pub(crate) may_write_status: bool,
    /// Programs and erases that were for addresses outside the part, at least in part.
    pub(crate) strays: u32,
    /// Write enable commands received so far.
    pub(crate) enables: u32,
    /// Bytes and pauses on the bus so far.
    pub(crate) moments: u64,
    pub(crate) cut: Option<(u64, BusCut)>,
    /// The microcontroller was reset, so the code under test has ended.
    pub(crate) is_reset: bool,
    /// Code has been started in this state.
    pub(crate) is_started: bool,
}

/// Work under way.
#[derive(Debug)]
pub(crate) struct Busy {
    pub(crate) work: Work,
    pub(crate) from_ns: u64,
    pub(crate) until_ns: u64,
}

/// What a command does to the cells once its busy time is over. Addresses are those of the cells.
#[derive(Debug)]
pub(crate) enum Work {
    /// Something that has no effect on the cells.
    Nothing,
    /// Contiguous pieces of one page; more than one if the bytes wrapped within the page.
    Program(Vec<(u32, Vec<u8>)>),
    Erase {
        from: u32,
        to: u32,
    },
}
