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

/// The command that puts the chip into the address mode that the driver uses.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct ModeCommand {
    pub(crate) opcode: u8,
    /// Whether it needs a write enable.
    pub(crate) write_enable: bool,
    /// Whether it is sent before each program, erase and read: a chip that fell back to another
    /// mode would take the address for another one.
    pub(crate) before_each_use: bool,
    /// How the chip shows its mode, if it does.
    pub(crate) check: Option<ModeCheck>,
}

/// A register that shows the address mode.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct ModeCheck {
    pub(crate) opcode: u8,
    pub(crate) mask: u8,
    /// The bits of the mask in the right mode.
    pub(crate) wanted: u8,
}

/// The command that ensures the address mode.
pub(crate) fn mode_command(
    addressing: Addressing,
    sheet: &DataSheet,
    sfdp: Option<&Sfdp>,
) -> Option<ModeCommand> {
    let exit = sfdp.map_or(0, |sfdp| sfdp.basic.four_byte_exit);
    let (opcode, write_enable, before_each_use) = match (addressing, sheet.four_byte) {
        (Addressing::FourByteMode { write_enable }, _) => {
            (opcode::ENTER_FOUR_BYTE, write_enable, true)
        }
        (Addressing::Three, Some(FourByte::Leave { write_enable })) => {
            (opcode::LEAVE_FOUR_BYTE, write_enable, true)
        }
        // E9h, or 06h and E9h. A chip that three address bytes reach starts in the right mode after
        // a dip of its supply.
        (Addressing::Three, _) if exit & 3 != 0 => (opcode::LEAVE_FOUR_BYTE, exit & 1 == 0, false),
        _ => return None,
    };
    let check = sfdp.filter(|_| before_each_use).and_then(|sfdp| mode_check(opcode, sfdp));
    Some(ModeCommand { opcode, write_enable, before_each_use, check })
}

/// The register in which the chip shows its mode: the flag status, or the bank register if that is
/// a way to enter the mode.
fn mode_check(opcode: u8, sfdp: &Sfdp) -> Option<ModeCheck> {
    let (register, mask) = if sfdp.basic.has_flag_status_polling {
        (opcode::READ_FLAG_STATUS, opcode::FLAG_FOUR_BYTE)
    } else if sfdp.basic.four_byte_entry >> 3 & 1 == 1 {
        (opcode::READ_BANK, opcode::BANK_FOUR_BYTE)
    } else {
        return None;
    };
    let wanted = if opcode == opcode::ENTER_FOUR_BYTE { mask } else { 0 };
    Some(ModeCheck { opcode: register, mask, wanted })
}
