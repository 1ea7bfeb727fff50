//! Commands and register bits that do not come from the tables.
//!
//! Sources: ISSI IS25LP/WP128F data sheet rev. A8, table 8.3; Micron MT25QL256 data sheet for the
//! flag status.

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
pub(crate) const CLEAR_FLAG_STATUS: u8 = 0x50;
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
