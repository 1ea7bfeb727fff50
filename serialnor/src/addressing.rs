//! How many address bytes the commands take, and how to get the chip to take them.

use crate::data_sheet::{DataSheet, FourByte};
use crate::opcode;
use crate::sfdp::{AddressBytes, FourByteTable, Sfdp};

/// Bytes that three address bytes can reach.
const THREE_BYTE_REACH: u64 = 1 << 24;

/// How addresses are sent to the chip.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Addressing {
    /// Three bytes.
    Three,
    /// Four bytes, with separate commands that take four in every mode.
    FourByteOpcodes,
    /// Four bytes, in a mode that the driver enters.
    FourByteMode {
        /// Send 06h before B7h.
        write_enable: bool,
    },
    /// Always four bytes.
    Four,
}

/// How to address a chip of this capacity, and the erase commands if they differ from the ordinary
/// ones. `None` if nothing says how to reach all of it.
pub(crate) fn choose(
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
    // Go by the header of the table, not by the bit of DWORD 16 that announces it: MX66L1G45G has
    // the table without the bit.
    if let Some(table) = sfdp.and_then(|sfdp| sfdp.four_byte).filter(FourByteTable::is_complete) {
        return Some((Addressing::FourByteOpcodes, Some(table.erase_opcodes)));
    }
    let entry = sfdp.map_or(0, |sfdp| sfdp.basic.four_byte_entry);
    let always = sfdp.is_some_and(|sfdp| match sfdp.basic.address_bytes {
        AddressBytes::Four => true,
        // If the two fields contradict each other, a small chip needs no more than three.
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

/// The command that ensures the address mode, and whether it needs a write enable.
pub(crate) fn mode_command(
    addressing: Addressing,
    sheet: &DataSheet,
    sfdp: Option<&Sfdp>,
) -> Option<(u8, bool)> {
    let exit = sfdp.map_or(0, |sfdp| sfdp.basic.four_byte_exit);
    match (addressing, sheet.four_byte) {
        (Addressing::FourByteMode { write_enable }, _) => {
            Some((opcode::ENTER_FOUR_BYTE, write_enable))
        }
        (Addressing::Three, Some(FourByte::Leave { write_enable })) => {
            Some((opcode::LEAVE_FOUR_BYTE, write_enable))
        }
        // E9h, or 06h and E9h.
        (Addressing::Three, _) if exit & 3 != 0 => Some((opcode::LEAVE_FOUR_BYTE, exit & 1 == 0)),
        _ => None,
    }
}
