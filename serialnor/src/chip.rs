//! The parameters of a chip: its tables, corrected by a data sheet. No I/O.

use crate::addressing::{self, Addressing, ModeCommand};
use crate::data_sheet::DataSheet;
use crate::erase::{self, EraseTypes};
use crate::error::Error;
use crate::opcode;
use crate::protection::{Facts, StatusWrite};
use crate::sfdp::{Basic, EraseType, FourByteTable, PowerDown, Sfdp, SfdpError};
use crate::timeout::{
    LEAST_PROGRAM_TIMEOUT_US, USUAL_PROGRAM_US, program_timeout_us, program_typical_us,
};

/// Offsets of the flash traits have 32 bits.
const REACH: u64 = 1 << 32;
/// Page size if none is given: that of every chip of the class (common practice, no source).
const USUAL_PAGE: u32 = 256;
/// A larger page in the tables is not trusted: a program over the end of a page wraps to its start,
/// whereas splitting a program too early does no harm.
const LARGEST_PAGE: u32 = 256;

/// The parameters that the driver works with; see [`crate::SerialNor::chip`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Chip {
    /// Bytes in use.
    pub capacity: u64,
    /// Bytes that one program command can reach.
    pub page_bytes: u32,
    /// Usable erase commands, smallest first.
    pub erase_types: [Option<EraseType>; 4],
    /// How addresses are sent to the chip.
    pub addressing: Addressing,
    /// Deep power-down.
    pub power_down: Option<PowerDown>,
    /// Longest time to wait for a page program, in microseconds.
    pub program_timeout_us: u32,
    /// Typical time of a page program, in microseconds.
    pub program_typical_us: u32,
    /// Whether the driver also waits for the flag status to say ready.
    pub polls_flag_status: bool,
    /// Whether commands 66h and 99h reset the chip.
    pub has_reset: bool,
    /// Status bits that protect blocks.
    pub protection_mask: u8,
    pub(crate) protection: Facts,
    pub(crate) read_opcode: u8,
    pub(crate) read_has_dummy: bool,
    pub(crate) program_opcode: u8,
    /// The command that ensures the address mode.
    pub(crate) mode_command: Option<ModeCommand>,
}

impl Chip {
    /// Before anything is read from the chip.
    pub(crate) const UNKNOWN: Self = Self {
        capacity: 0,
        page_bytes: 1,
        erase_types: [None; 4],
        addressing: Addressing::Three,
        power_down: None,
        program_timeout_us: LEAST_PROGRAM_TIMEOUT_US,
        program_typical_us: USUAL_PROGRAM_US,
        polls_flag_status: false,
        has_reset: false,
        protection_mask: 0,
        protection: Facts::NONE,
        read_opcode: opcode::READ,
        read_has_dummy: false,
        program_opcode: opcode::PROGRAM,
        mode_command: None,
    };

    /// Combines the tables and the data sheet, for erases of multiples of `erase_bytes` and
    /// programs of multiples of `write_bytes`. With `fast_read` a chip without that command is
    /// refused.
    pub(crate) fn learn<E>(
        &mut self,
        tables: Result<Sfdp, SfdpError<E>>,
        sheet: &DataSheet,
        (erase_bytes, write_bytes): (u32, u32),
        fast_read: bool,
    ) -> Result<(), Error<E>> {
        let (sfdp, missing) = match tables {
            Ok(sfdp) => (Some(sfdp), None),
            Err(SfdpError::Bus(error)) => return Err(Error::Bus(error)),
            // A bus like that is not fit for writing, however complete the data sheet is.
            Err(why @ SfdpError::ReadingsDiffer) => return Err(Error::NoTables(why)),
            Err(why) => (None, Some(why)),
        };
        let sfdp = sfdp.as_ref();
        let basic = sfdp.map(|sfdp| &sfdp.basic);
        let capacity = sheet.capacity.or_else(|| basic.map(|basic| basic.size_bytes));
        let (Some(capacity), Some(types)) = (capacity, erase::stated(sheet, sfdp)?) else {
            return Err(missing.map_or(Error::UnclearEraseTypes, Error::NoTables));
        };
        let capacity = capacity.min(REACH);
        let Some((addressing, erase_opcodes)) = addressing::choose(capacity, sheet, sfdp) else {
            return Err(Error::FourByteAddresses);
        };
        self.addressing = addressing;
        self.mode_command = addressing::mode_command(addressing, sheet, sfdp);
        let (opcodes, source) = match erase_opcodes {
            Some(opcodes) => (opcodes, erase::source_of_opcodes(sheet, sfdp)?),
            None => (types.map(|erase| erase.map(|erase| erase.opcode)), types),
        };
        erase::set_usable(&mut self.erase_types, types, &opcodes, source);
        self.capacity = usable_capacity(capacity, &self.erase_types, erase_bytes)?;
        self.page_bytes = page_bytes(sheet, basic);
        if self.page_bytes < write_bytes {
            return Err(Error::PageSize { page_bytes: self.page_bytes });
        }
        self.set_opcodes(sfdp, fast_read)?;
        self.protection = sheet.protection;
        if let Some(basic) = basic {
            self.learn_details(basic);
        }
        self.protection_mask = match &self.protection.blocks {
            Some(blocks) => blocks.bits(),
            None => self.protection.mask.unwrap_or(opcode::BLOCK_PROTECTION),
        };
        Ok(())
    }

    /// What is only in the tables, or need not be in the data sheet.
    fn learn_details(&mut self, basic: &Basic) {
        self.power_down = basic.power_down;
        self.program_timeout_us = program_timeout_us(basic.page_program);
        self.program_typical_us = program_typical_us(basic.page_program);
        self.polls_flag_status = basic.has_flag_status_polling && !basic.has_status_polling;
        self.has_reset = basic.soft_reset >> 4 & 1 == 1;
        if self.protection.status_write.is_none() {
            self.protection.status_write = status_write(basic);
        }
    }

    /// The commands that read and program.
    fn set_opcodes<E>(&mut self, sfdp: Option<&Sfdp>, fast_read: bool) -> Result<(), Error<E>> {
        (self.read_opcode, self.program_opcode) = (opcode::READ, opcode::PROGRAM);
        self.read_has_dummy = fast_read;
        if self.addressing == Addressing::FourByteOpcodes {
            (self.read_opcode, self.program_opcode) = (opcode::READ_4, opcode::PROGRAM_4);
            let table = sfdp.and_then(|sfdp| sfdp.four_byte).filter(FourByteTable::is_complete);
            if let Some(table) = table {
                if fast_read && !table.fast_read {
                    return Err(Error::NotSupported);
                }
                // Some chips have only the fast read command.
                self.read_has_dummy |= !table.read;
            }
        }
        if self.read_has_dummy {
            // 0Bh for 03h, 0Ch for 13h.
            let is_four = self.read_opcode == opcode::READ_4;
            self.read_opcode = if is_four { opcode::FAST_READ_4 } else { opcode::FAST_READ };
        }
        Ok(())
    }

    /// How the protection bits may be written, if the tables or the data sheet say so.
    pub const fn status_write(&self) -> Option<StatusWrite> {
        self.protection.status_write
    }

    /// First and last byte of what this status protects.
    pub(crate) fn protected_range(&self, status: u8) -> Option<(u32, u32)> {
        if status & self.protection_mask == 0 {
            return None;
        }
        match &self.protection.blocks {
            Some(protection) => protection.range(status),
            None => Some((0, (self.capacity - 1) as u32)),
        }
    }

    /// Index of the largest erase that starts at `at`, ends at or before `to`, and is aligned to
    /// its size.
    pub(crate) fn erase_for(&self, at: u32, to: u32) -> Option<(usize, &EraseType)> {
        // Sizes are powers of two.
        let fits = |erase: &EraseType| at & (erase.bytes - 1) == 0 && erase.bytes <= to - at;
        let types = self.erase_types.iter().enumerate().rev();
        types.filter_map(|(kind, erase)| Some((kind, erase.as_ref()?))).find(|(_, it)| fits(it))
    }
}

/// The capacity in whole erase sizes of the driver's type, if the chip can erase such a size.
fn usable_capacity<E>(
    capacity: u64,
    erase_types: &EraseTypes,
    erase_bytes: u32,
) -> Result<u64, Error<E>> {
    let Some(smallest) = erase_types.iter().flatten().map(|erase| erase.bytes).next() else {
        return Err(Error::UnclearEraseTypes);
    };
    if smallest > erase_bytes || !erase_bytes.is_multiple_of(smallest) {
        return Err(Error::EraseSize { smallest });
    }
    let capacity = capacity - capacity % u64::from(erase_bytes.max(1));
    if capacity == 0 { Err(Error::TooSmall) } else { Ok(capacity) }
}

/// Bytes that one program command can reach.
fn page_bytes(sheet: &DataSheet, basic: Option<&Basic>) -> u32 {
    let listed = basic.and_then(|basic| basic.page_bytes).map(|page| page.min(LARGEST_PAGE));
    let page = sheet.page_bytes.filter(|bytes| bytes.is_power_of_two()).or(listed);
    page.unwrap_or(USUAL_PAGE)
}

/// How the tables say that the status register may be written.
fn status_write(basic: &Basic) -> Option<StatusWrite> {
    // The meanings of these codes are from memory of JESD216.
    let with_second = match basic.quad_enable? {
        0 | 2 | 3 | 4 | 6 => false,
        5 => true,
        // 1: writing one register clears the other, which cannot be read. 7: reserved.
        _ => return None,
    };
    let volatile_enable = match basic.status_volatility {
        kinds if kinds & 0b1100 != 0 => Some(opcode::ENABLE_VOLATILE),
        kinds if kinds & 0b0010 != 0 => Some(opcode::WRITE_ENABLE),
        _ => None,
    };
    Some(StatusWrite { volatile_enable, with_second })
}
