//! What the driver knows of a chip: its tables, corrected by a data sheet. No I/O.

use crate::error::Error;
use crate::opcode;
use crate::sfdp::{AddressBytes, EraseType, FourByteTable, PowerDown, Sfdp, SfdpError};

/// Bytes that three address bytes reach.
const THREE_BYTE_REACH: u64 = 1 << 24;
/// Offsets of the flash traits have 32 bits.
const REACH: u64 = 1 << 32;
/// Page where none is given: that of every chip of the class ("common practice, no source").
const USUAL_PAGE: u32 = 256;
/// Larger claims of tables are not taken at their word: a program over the end of a page wraps, one split
/// too early does no harm.
const LARGEST_PAGE: u32 = 256;

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
    capacity: Option<u64>,
    page_bytes: Option<u32>,
    erase_types: Option<[Option<EraseType>; 4]>,
    four_byte: Option<FourByte>,
    protection_mask: Option<u8>,
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

/// How addresses go over the bus.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Addressing {
    /// Three bytes.
    Three,
    /// Four bytes, by commands of their own.
    FourByteOpcodes,
    /// Four bytes, in a mode to be entered.
    FourByteMode {
        /// Send 06h before B7h.
        write_enable: bool,
    },
    /// Four bytes always.
    Four,
}

/// What the driver works by: see [`crate::SerialNor::chip`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Chip {
    /// Bytes in use.
    pub capacity: u64,
    /// Bytes that one program command can reach.
    pub page_bytes: u32,
    /// Erase commands that can be used, smallest first.
    pub erase_types: [Option<EraseType>; 4],
    /// How addresses go over the bus.
    pub addressing: Addressing,
    /// Deep power-down.
    pub power_down: Option<PowerDown>,
    /// Longest time to wait for a page program, in microseconds.
    pub program_timeout_us: u32,
    /// Typical time of a page program, in microseconds.
    pub program_typical_us: u32,
    /// Whether the flag status must say ready too.
    pub polls_flag_status: bool,
    /// Whether 66h and 99h reset the chip.
    pub has_reset: bool,
    /// Status bits that protect blocks.
    pub protection_mask: u8,
    pub(crate) read_opcode: u8,
    pub(crate) fast_read_opcode: Option<u8>,
    pub(crate) program_opcode: u8,
    /// The command that makes sure of the address mode, and whether it needs a write enable.
    pub(crate) mode_command: Option<(u8, bool)>,
}

/// Times are never taken below these, whatever the tables say: tables with far too short times have
/// been shipped (S25FL064L, DWORD 10 EE009231h for FF0D9231h, by vendor staff in a forum). The values
/// are at least those of all tables in `tests/sfdp`.
pub(crate) const LEAST_PROGRAM_TIMEOUT_US: u32 = 10_000;
/// Nor above this: a chip that takes longer is broken.
const MOST_TIMEOUT_US: u64 = 60_000_000;

/// The floor for an erase.
fn least_erase_timeout_us(bytes: u32) -> u64 {
    match bytes {
        0..=4096 => 1_000_000,
        4097..=32768 => 3_000_000,
        _ => 7_000_000,
    }
}

/// Longest time to wait for an erase, in microseconds.
pub(crate) fn erase_timeout_us(erase: &EraseType) -> u32 {
    let stated = erase.times.map_or(0, |times| times.maximal_us);
    let time = stated.max(least_erase_timeout_us(erase.bytes)).min(MOST_TIMEOUT_US);
    u32::try_from(time).unwrap_or(u32::MAX)
}

impl Chip {
    /// Puts together what the tables and the data sheet say, for erases of multiples of
    /// `erase_bytes` and programs of multiples of `write_bytes`.
    pub(crate) fn new<E>(
        tables: Result<Sfdp, SfdpError<E>>,
        sheet: &DataSheet,
        erase_bytes: u32,
        write_bytes: u32,
    ) -> Result<Self, Error<E>> {
        let (sfdp, missing) = match tables {
            Ok(sfdp) => (Some(sfdp), None),
            Err(SfdpError::Bus(error)) => return Err(Error::Bus(error)),
            Err(why) => (None, Some(why)),
        };
        let basic = sfdp.as_ref().map(|sfdp| &sfdp.basic);
        let capacity = sheet.capacity.or_else(|| basic.map(|basic| basic.size_bytes));
        let types = match (sheet.erase_types, basic) {
            (Some(types), _) => Some(types),
            (None, Some(_)) if sfdp.is_some_and(|sfdp| sfdp.has_sector_map) => {
                return Err(Error::UnclearEraseTypes);
            }
            (None, basic) => basic.map(|basic| basic.erase_types),
        };
        let (Some(capacity), Some(mut types)) = (capacity, types) else {
            return Err(missing.map_or(Error::UnclearEraseTypes, Error::NoTables));
        };
        let capacity = capacity.min(REACH);
        let table = sfdp.and_then(|sfdp| sfdp.four_byte).filter(FourByteTable::is_complete);
        let Some((addressing, erase_opcodes)) = addressing(capacity, sheet, sfdp.as_ref()) else {
            return Err(Error::FourByteAddresses);
        };
        if let Some(opcodes) = erase_opcodes {
            // Opcodes go by index with the types of the same source, and from these to others by size.
            let source = match sheet.four_byte {
                Some(_) => sheet.erase_types,
                None => basic.map(|basic| basic.erase_types),
            };
            let Some(source) = source else { return Err(Error::UnclearEraseTypes) };
            for erase in &mut types {
                *erase = erase.and_then(|erase| with_opcode_of_size(erase, &source, &opcodes));
            }
        }
        let erase_types = usable(types);
        let Some(smallest) = erase_types.iter().flatten().map(|erase| erase.bytes).next() else {
            return Err(Error::UnclearEraseTypes);
        };
        if smallest > erase_bytes || !erase_bytes.is_multiple_of(smallest) {
            return Err(Error::EraseSize { smallest });
        }
        let capacity = capacity - capacity % u64::from(erase_bytes.max(1));
        if capacity == 0 {
            return Err(Error::TooSmall);
        }
        let own = addressing == Addressing::FourByteOpcodes;
        let has_fast_read = !own || table.is_none_or(|table| table.fast_read);
        let has_read = !own || table.is_none_or(|table| table.read);
        let fast = if own { opcode::FAST_READ_4 } else { opcode::FAST_READ };
        let slow = if own { opcode::READ_4 } else { opcode::READ };
        let program_times = basic.and_then(|basic| basic.page_program);
        let micros = |time: u64| u32::try_from(time.min(MOST_TIMEOUT_US)).unwrap_or(u32::MAX);
        let exit = basic.map_or(0, |basic| basic.four_byte_exit);
        let listed_page =
            basic.and_then(|basic| basic.page_bytes).map(|page| page.min(LARGEST_PAGE));
        let page = sheet.page_bytes.filter(|bytes| bytes.is_power_of_two()).or(listed_page);
        let page_bytes = page.unwrap_or(USUAL_PAGE);
        if page_bytes < write_bytes {
            return Err(Error::PageSize { page_bytes });
        }
        Ok(Self {
            capacity,
            page_bytes,
            erase_types,
            addressing,
            power_down: basic.and_then(|basic| basic.power_down),
            program_timeout_us: program_times
                .map_or(0, |times| micros(times.maximal_us))
                .max(LEAST_PROGRAM_TIMEOUT_US),
            program_typical_us: program_times.map_or(200, |times| micros(times.typical_us)),
            polls_flag_status: basic
                .is_some_and(|basic| basic.has_flag_status_polling && !basic.has_status_polling),
            has_reset: basic.is_some_and(|basic| basic.soft_reset >> 4 & 1 == 1),
            protection_mask: sheet.protection_mask.unwrap_or(opcode::BLOCK_PROTECTION),
            read_opcode: if has_read { slow } else { fast },
            fast_read_opcode: has_fast_read.then_some(fast),
            program_opcode: if own { opcode::PROGRAM_4 } else { opcode::PROGRAM },
            mode_command: match (addressing, sheet.four_byte) {
                (Addressing::FourByteMode { write_enable }, _) => {
                    Some((opcode::ENTER_FOUR_BYTE, write_enable))
                }
                (Addressing::Three, Some(FourByte::Leave { write_enable })) => {
                    Some((opcode::LEAVE_FOUR_BYTE, write_enable))
                }
                // E9h, or 06h and E9h.
                (Addressing::Three, _) if exit & 3 != 0 => {
                    Some((opcode::LEAVE_FOUR_BYTE, exit & 1 == 0))
                }
                _ => None,
            },
        })
    }

    /// The largest erase that begins at `at`, ends at `to` or before, and is aligned to its size.
    pub(crate) fn erase_for(&self, at: u64, to: u64) -> Option<&EraseType> {
        let fits = |erase: &&EraseType| {
            // Sizes are powers of two.
            let bytes = u64::from(erase.bytes);
            at & (bytes - 1) == 0 && at + bytes <= to
        };
        self.erase_types.iter().rev().flatten().find(fits)
    }
}

/// How to address so much, and the erase commands if they are others.
fn addressing(
    capacity: u64,
    sheet: &DataSheet,
    sfdp: Option<&Sfdp>,
) -> Option<(Addressing, Option<[Option<u8>; 4]>)> {
    match sheet.four_byte {
        Some(FourByte::Opcodes { erase }) => {
            return Some((Addressing::FourByteOpcodes, Some(erase)));
        }
        Some(FourByte::Mode { write_enable }) => {
            return Some((Addressing::FourByteMode { write_enable }, None));
        }
        Some(FourByte::Always) => return Some((Addressing::Four, None)),
        Some(FourByte::Leave { .. }) => {
            return (capacity <= THREE_BYTE_REACH).then_some((Addressing::Three, None));
        }
        None => {}
    }
    // The header of the table counts, not the bit of DWORD 16 that announces it: MX66L1G45G has the
    // table without the bit.
    if let Some(table) = sfdp.and_then(|sfdp| sfdp.four_byte).filter(FourByteTable::is_complete) {
        return Some((Addressing::FourByteOpcodes, Some(table.erase_opcodes)));
    }
    let entry = sfdp.map_or(0, |sfdp| sfdp.basic.four_byte_entry);
    let always = sfdp.is_some_and(|sfdp| match sfdp.basic.address_bytes {
        AddressBytes::Four => true,
        // Two fields that contradict each other: the small chip needs no more than three.
        AddressBytes::Three if capacity.max(sfdp.basic.size_bytes) <= THREE_BYTE_REACH => false,
        _ => entry >> 6 & 1 == 1,
    });
    if always {
        Some((Addressing::Four, None))
    } else if capacity <= THREE_BYTE_REACH {
        Some((Addressing::Three, None))
    } else if entry & 1 == 1 {
        Some((Addressing::FourByteMode { write_enable: false }, None))
    } else if entry >> 1 & 1 == 1 {
        Some((Addressing::FourByteMode { write_enable: true }, None))
    } else {
        None
    }
}

/// The erase type with the command that erases its size.
fn with_opcode_of_size(
    erase: EraseType,
    types: &[Option<EraseType>; 4],
    opcodes: &[Option<u8>; 4],
) -> Option<EraseType> {
    types.iter().zip(opcodes).find_map(|(other, opcode)| {
        let opcode = other.filter(|other| other.bytes == erase.bytes).and(*opcode)?;
        Some(EraseType { opcode, ..erase })
    })
}

/// The types whose command stands for one size only, smallest first.
fn usable(types: [Option<EraseType>; 4]) -> [Option<EraseType>; 4] {
    let is_clear = |erase: &EraseType| {
        erase.bytes.is_power_of_two()
            && types
                .iter()
                .flatten()
                .all(|other| other.opcode != erase.opcode || other.bytes == erase.bytes)
    };
    let mut sorted = types.map(|erase| erase.filter(is_clear));
    sorted.sort_unstable_by_key(|erase| erase.map_or(u32::MAX, |erase| erase.bytes));
    sorted
}
