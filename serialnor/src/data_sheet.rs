//! What a user copies from the data sheet of a chip.

use crate::sfdp::EraseType;

/// How to reach more than 16 MiB, or not to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FourByte {
    /// By commands of their own (13h, 12h and erase commands), which take four address bytes in
    /// every mode. The safest way.
    Opcodes {
        /// The erase commands, in the order of [`DataSheet::with_erase_types`]; `None` where there
        /// is none. Without erase types of the data sheet they are refused with
        /// [`Error::UnclearEraseTypes`]: those of the tables stand in any order.
        erase: [Option<u8>; 4],
    },
    /// By command B7h, with a write enable before it if so said. The mode is lost when the chip
    /// loses power: if that can happen while the microcontroller runs, use another way. It outlasts a
    /// reset of the microcontroller alone: a boot program that reads the chip by three address bytes then
    /// meets it in this mode, and may not start.
    Mode {
        /// Send 06h before B7h.
        write_enable: bool,
    },
    /// Not at all: three address bytes, for 16 MiB at most. Command E9h, with a write enable before it
    /// if so said, ends the mode of four that an earlier program may have left the chip in. Not for chips
    /// on which E9h does something else: IS25LP/WP128F takes it as a password command.
    Leave {
        /// Send 06h before E9h.
        write_enable: bool,
    },
    /// The chip takes four address bytes in all commands.
    Always,
}

/// What the data sheet says where the tables of a chip are missing or wrong. What is not given
/// comes from the tables.
///
/// ```
/// use outlast_serialnor::{DataSheet, EraseType};
///
/// // 16 MiB by its data sheet, 2 MiB by its tables.
/// const SHEET: DataSheet = DataSheet::new().with_capacity(16 << 20);
/// // A chip without tables.
/// const OLD: DataSheet = DataSheet::new()
///     .with_capacity(2 << 20)
///     .with_erase_types([Some(EraseType { bytes: 65536, opcode: 0xD8, times: None }), None, None, None]);
/// ```
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DataSheet {
    pub(crate) capacity: Option<u64>,
    pub(crate) page_bytes: Option<u32>,
    pub(crate) erase_types: Option<[Option<EraseType>; 4]>,
    pub(crate) four_byte: Option<FourByte>,
    pub(crate) protection_mask: Option<u8>,
}

impl DataSheet {
    /// Nothing given.
    pub const fn new() -> Self {
        Self {
            capacity: None,
            page_bytes: None,
            erase_types: None,
            four_byte: None,
            protection_mask: None,
        }
    }

    /// Bytes of the chip, or of the part of it to use.
    ///
    /// A larger chip of which 16 MiB are used is worked by three address bytes, and must be in that mode:
    /// tables of the first revision do not tell how to leave the other one, in which an earlier program may
    /// have left it. Give [`FourByte::Leave`] then. A bank or extended address register that is not zero
    /// moves all addresses, and is left as it is.
    #[must_use]
    pub const fn with_capacity(self, bytes: u64) -> Self {
        Self { capacity: Some(bytes), ..self }
    }

    /// Bytes that one program command can reach, a power of two.
    #[must_use]
    pub const fn with_page_bytes(self, bytes: u32) -> Self {
        Self { page_bytes: Some(bytes), ..self }
    }

    /// Erase types, with the commands of the plain address mode. Sizes are powers of two; others are
    /// left out. Without times, generous ones hold.
    ///
    /// Where the tables list commands with four address bytes, those of the same size are used, and types
    /// of a size that they do not list are left out, unless [`FourByte`] names another way.
    #[must_use]
    pub const fn with_erase_types(self, types: [Option<EraseType>; 4]) -> Self {
        Self { erase_types: Some(types), ..self }
    }

    /// How to reach more than 16 MiB, or not to.
    #[must_use]
    pub const fn with_four_byte(self, way: FourByte) -> Self {
        Self { four_byte: Some(way), ..self }
    }

    /// Bits of the status register that protect blocks. Without it bits 2 to 4, which do so on the
    /// chips whose data sheets were at hand; further ones stand in bits 5 and 6, which mean other things
    /// elsewhere. One that is set refuses every program and erase, whichever blocks it protects. 0 checks
    /// none.
    #[must_use]
    pub const fn with_protection_mask(self, mask: u8) -> Self {
        Self { protection_mask: Some(mask), ..self }
    }
}
