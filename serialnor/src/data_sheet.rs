//! Facts from the data sheet of a chip, as the user gives them.

use crate::protection::{BlockLocks, BlockProtection, Facts, StatusWrite};
use crate::sfdp::EraseType;

/// How to address more than 16 MiB, or not to use more than that.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FourByte {
    /// With separate commands (13h, 12h and erase commands) that take four address bytes in every
    /// mode. The safest method.
    Opcodes {
        /// The erase commands, in the order of [`DataSheet::with_erase_types`]; `None` for a type
        /// that has none. Without erase types of the data sheet they are refused with
        /// [`Error::UnclearEraseTypes`](crate::Error::UnclearEraseTypes), since the order of the
        /// types in the tables is not defined.
        erase: [Option<u8>; 4],
    },
    /// With command B7h, which enters a mode of four address bytes. The mode is lost when the chip
    /// loses power: if that can happen while the microcontroller runs, use another method. The mode
    /// survives a reset of the microcontroller alone: a boot program that reads the chip with three
    /// address bytes then finds it in this mode, and may not start.
    Mode {
        /// Send 06h before B7h.
        write_enable: bool,
    },
    /// Not at all: three address bytes, for at most 16 MiB. Command E9h ends the mode of four
    /// address bytes in which earlier firmware may have left the chip. Not for chips on which E9h
    /// does something else: IS25LP/WP128F takes it as a password command.
    Leave {
        /// Send 06h before E9h.
        write_enable: bool,
    },
    /// The chip takes four address bytes in all its commands.
    Always,
}

/// Facts from the data sheet, for chips whose tables are missing or wrong. Whatever is not given
/// here comes from the tables.
///
/// Caution: use it only with the data sheet of your exact part, revision included. A wrong erase
/// type erases more than you ask for, and a wrong address form writes elsewhere.
///
/// ```
/// use outlast_serialnor::{DataSheet, EraseType};
///
/// // 16 MiB according to its data sheet, 2 MiB according to its tables.
/// const SHEET: DataSheet = DataSheet::new().with_capacity(16 << 20);
/// // A chip without tables.
/// const BLOCK: EraseType = EraseType { bytes: 65536, opcode: 0xD8, times: None };
/// const OLD: DataSheet = DataSheet::new()
///     .with_capacity(2 << 20)
///     .with_erase_types([Some(BLOCK), None, None, None]);
/// ```
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DataSheet {
    pub(crate) capacity: Option<u64>,
    pub(crate) page_bytes: Option<u32>,
    pub(crate) erase_types: Option<[Option<EraseType>; 4]>,
    pub(crate) four_byte: Option<FourByte>,
    pub(crate) protection: Facts,
}

impl DataSheet {
    /// A data sheet that gives nothing yet.
    pub const fn new() -> Self {
        Self {
            capacity: None,
            page_bytes: None,
            erase_types: None,
            four_byte: None,
            protection: Facts::NONE,
        }
    }

    /// Size of the chip in bytes, or of the part of it to use.
    ///
    /// Caution: if 16 MiB or less of a larger chip are used, the driver sends three address bytes,
    /// and the chip must be in that mode. Earlier firmware may have left it in the mode of four,
    /// and tables of the first revision do not say how to leave that: give [`FourByte::Leave`]
    /// then. A bank or extended address register that is not zero shifts all addresses; the driver
    /// does not change it.
    #[must_use]
    pub const fn with_capacity(self, bytes: u64) -> Self {
        Self { capacity: Some(bytes), ..self }
    }

    /// Bytes that one program command can reach, a power of two.
    #[must_use]
    pub const fn with_page_bytes(self, bytes: u32) -> Self {
        Self { page_bytes: Some(bytes), ..self }
    }

    /// Erase types, with the commands of the ordinary address mode. Sizes must be powers of two;
    /// others are ignored. Types without times get generous timeouts.
    ///
    /// If the tables list commands with four address bytes, the driver uses those of the same size
    /// and ignores types of a size that the tables do not list, unless [`FourByte`] names another
    /// method.
    #[must_use]
    pub const fn with_erase_types(self, types: [Option<EraseType>; 4]) -> Self {
        Self { erase_types: Some(types), ..self }
    }

    /// How to address more than 16 MiB, or not to use more than that.
    #[must_use]
    pub const fn with_four_byte(self, way: FourByte) -> Self {
        Self { four_byte: Some(way), ..self }
    }

    /// Bits of the status register that protect blocks. Default: bits 2 to 4, which do so on the
    /// chips whose data sheets were available. Some chips have more in bits 5 and 6, which mean
    /// something else on other chips. If any of these bits is set, the driver refuses every program
    /// and erase, since it does not know which blocks they protect; with
    /// [`Self::with_block_protection`] it does. 0 disables the check.
    #[must_use]
    pub const fn with_protection_mask(self, mask: u8) -> Self {
        Self { protection: Facts { mask: Some(mask), ..self.protection }, ..self }
    }

    /// Which bits of the status register protect which blocks: only programs and erases in these
    /// are refused. Takes the place of [`Self::with_protection_mask`].
    #[must_use]
    pub const fn with_block_protection(self, protection: BlockProtection) -> Self {
        Self { protection: Facts { blocks: Some(protection), ..self.protection }, ..self }
    }

    /// How to read the locks of single blocks. The driver reads that of each block before it
    /// programs or erases there, one byte with a command and an address.
    #[must_use]
    pub const fn with_block_locks(self, locks: BlockLocks) -> Self {
        Self { protection: Facts { locks: Some(locks), ..self.protection }, ..self }
    }

    /// The command that unlocks all blocks until the chip loses power: 98h on chips known here
    /// (from memory of data sheets). [`crate::SerialNor::unprotect`] sends it.
    #[must_use]
    pub const fn with_unlock_all(self, opcode: u8) -> Self {
        Self { protection: Facts { unlock_all_opcode: Some(opcode), ..self.protection }, ..self }
    }

    /// How the status register is written, for [`crate::SerialNor::unprotect`] on chips whose
    /// tables do not say so, or not rightly.
    #[must_use]
    pub const fn with_status_write(self, write: StatusWrite) -> Self {
        Self { protection: Facts { status_write: Some(write), ..self.protection }, ..self }
    }
}
