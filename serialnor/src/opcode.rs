//! Commands and register bits that do not come from the tables.
//!
//! Sources: ISSI IS25LP/WP128F data sheet rev. A8, table 8.3; Micron MT25QL256 data sheet for the
//! flag status.

pub(crate) const WRITE_STATUS: u8 = 0x01;
pub(crate) const PROGRAM: u8 = 0x02;
pub(crate) const READ: u8 = 0x03;
pub(crate) const WRITE_DISABLE: u8 = 0x04;
pub(crate) const READ_STATUS: u8 = 0x05;
pub(crate) const WRITE_ENABLE: u8 = 0x06;
pub(crate) const FAST_READ: u8 = 0x0B;
pub(crate) const FAST_READ_4: u8 = 0x0C;
pub(crate) const PROGRAM_4: u8 = 0x12;
pub(crate) const READ_4: u8 = 0x13;
pub(crate) const READ_BANK: u8 = 0x16;
pub(crate) const READ_SECOND_STATUS: u8 = 0x35;
/// On some chips.
pub(crate) const CLEAR_FLAG_STATUS: u8 = 0x50;
/// On some other chips.
pub(crate) const ENABLE_VOLATILE: u8 = 0x50;
pub(crate) const READ_SFDP: u8 = 0x5A;
pub(crate) const RESET_ENABLE: u8 = 0x66;
pub(crate) const READ_FLAG_STATUS: u8 = 0x70;
pub(crate) const RESET: u8 = 0x99;
pub(crate) const READ_ID: u8 = 0x9F;
pub(crate) const LEAVE_POWER_DOWN: u8 = 0xAB;
pub(crate) const ENTER_FOUR_BYTE: u8 = 0xB7;
pub(crate) const LEAVE_FOUR_BYTE: u8 = 0xE9;

/// Status: a program, erase or register write is in progress.
pub(crate) const BUSY: u8 = 1;
/// Status: the write enable latch.
pub(crate) const LATCH: u8 = 1 << 1;
/// Status: the block protection bits that have the same position on all chips known here.
pub(crate) const BLOCK_PROTECTION: u8 = 0b0001_1100;
/// Flag status: ready.
pub(crate) const FLAG_READY: u8 = 1 << 7;
/// Flag status: four address bytes are in use.
pub(crate) const FLAG_FOUR_BYTE: u8 = 1;
/// Bank register: four address bytes are in use (JESD216, DWORD 16, bit 27).
pub(crate) const BANK_FOUR_BYTE: u8 = 1 << 7;
/// Flag status: erase failed, program failed, protection error.
pub(crate) const FLAG_FAILURES: u8 = 1 << 5 | 1 << 4 | 1 << 1;

/// Commands that are no erases of blocks, whatever a table says: all or many chips take them for
/// something else. Sources: the data sheets above, and from memory of others.
const OTHERS: [&[u8]; 6] = [
    // Nothing; writing registers of status, configuration, bank, address, locks and protection.
    &[
        0x00, 0xFF, 0x01, 0x11, 0x17, 0x31, 0x36, 0x39, 0x3C, 0x50, 0x61, 0x71, 0x98, 0xB1, 0xC0,
        0xC5, 0xE0, 0xE1, 0xE3, 0xE5,
    ],
    // Programs.
    &[0x02, 0x12, 0x32, 0x34, 0x38, 0x3E, 0x82, 0x84, 0x8E, 0xA2, 0xAD, 0xAF, 0xD2],
    // One-time programmable and security areas.
    &[0x2B, 0x2F, 0x42, 0x44, 0x48, 0x4B, 0x9B],
    // The whole chip or a die.
    &[0x60, 0xC4, 0xC7],
    // Latch, reset, suspend, power and address modes, other numbers of lines.
    &[
        0x04, 0x06, 0x29, 0x30, 0x35, 0x66, 0x75, 0x7A, 0x99, 0xAB, 0xB0, 0xB7, 0xB9, 0xE9, 0xF0,
        0xF5,
    ],
    // Reads.
    &[
        0x03, 0x05, 0x0B, 0x0C, 0x13, 0x15, 0x16, 0x3B, 0x5A, 0x6B, 0x70, 0x9E, 0x9F, 0xB5, 0xBB,
        0xEB,
    ],
];

/// A bit for each command: whether it is one of [`OTHERS`].
const IS_OTHER: [u8; 32] = {
    let mut bits = [0; 32];
    let mut group = 0;
    while group < OTHERS.len() {
        let mut at = 0;
        while at < OTHERS[group].len() {
            let opcode = OTHERS[group][at];
            bits[(opcode / 8) as usize] |= 1 << (opcode % 8);
            at += 1;
        }
        group += 1;
    }
    bits
};

/// Whether a command may be an erase of a block.
pub(crate) fn may_be_erase(opcode: u8) -> bool {
    IS_OTHER.get(usize::from(opcode / 8)).is_some_and(|bits| bits >> (opcode % 8) & 1 == 0)
}
