//! Which blocks of the chip are protected against programs and erases, and by what. No I/O.

/// What protects a block.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum ProtectedBy {
    /// These bits of the status register.
    StatusBits(u8),
    /// The lock of the block itself, which reads as this.
    BlockLock(u8),
}

/// How the bits of the status register say which blocks they protect. The bits form a number: 0
/// protects nothing, 1 protects [`Self::unit_bytes`], and each further one twice as much, up to the
/// whole chip.
///
/// The places of the bits as the large vendors have them, from memory of data sheets except for bit
/// 6 of MT25Q and N25Q: compare them with the data sheet of your part.
///
/// | chips | bits | bottom bit |
/// |---|---|---|
/// | three bits, most small chips | 2 to 4 (`0x1C`) | 5 (`0x20`), or elsewhere |
/// | four bits, with a quad bit in bit 6 (MX25L, MX66L, IS25LP) | 2 to 5 (`0x3C`) | not in this register |
/// | four bits (N25Q, MT25Q) | 2 to 4 and 6 (`0x5C`) | 5 (`0x20`) |
///
/// ```
/// use outlast_serialnor::{BlockProtection, DataSheet};
///
/// // 32 MiB, four bits, sectors of 64 KiB.
/// const SHEET: DataSheet = DataSheet::new().with_block_protection(
///     BlockProtection::new(32 << 20, 0x5C, 64 << 10).with_bottom_bit(0x20),
/// );
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BlockProtection {
    chip_bytes: u64,
    bits: u8,
    unit_bytes: u32,
    bottom_bit: u8,
    is_from_bottom: bool,
}

impl BlockProtection {
    /// For a chip of this size, all of it, and these bits, lowest first. They protect the top of
    /// the chip.
    pub const fn new(chip_bytes: u64, bits: u8, unit_bytes: u32) -> Self {
        Self { chip_bytes, bits, unit_bytes, bottom_bit: 0, is_from_bottom: false }
    }

    /// While this bit of the status register is set, the bottom is protected instead.
    #[must_use]
    pub const fn with_bottom_bit(self, bit: u8) -> Self {
        Self { bottom_bit: bit, ..self }
    }

    /// Always the bottom, as a chip does whose configuration register says so.
    #[must_use]
    pub const fn from_bottom(self) -> Self {
        Self { is_from_bottom: true, ..self }
    }

    /// Bytes protected by the number 1.
    pub const fn unit_bytes(&self) -> u32 {
        self.unit_bytes
    }

    /// The bits of the status register that protect blocks.
    pub const fn bits(&self) -> u8 {
        self.bits
    }

    /// First and last byte of what is protected, or `None` if that is nothing.
    pub fn range(&self, status: u8) -> Option<(u32, u32)> {
        let (mut number, mut weight) = (0_u32, 1);
        for bit in (0..8).map(|place| 1 << place) {
            if self.bits & bit != 0 {
                number += if status & bit != 0 { weight } else { 0 };
                weight *= 2;
            }
        }
        if number == 0 {
            return None;
        }
        // Enough doublings for any chip.
        let bytes = u64::from(self.unit_bytes) << u32::min(number - 1, 31);
        let bytes = if number > 32 { self.chip_bytes } else { bytes.min(self.chip_bytes) };
        let is_bottom = self.is_from_bottom || status & self.bottom_bit != 0;
        let start = if is_bottom { 0 } else { self.chip_bytes - bytes };
        // What is larger than addresses reach is protected to their end.
        let of = |at: u64| u32::try_from(at).unwrap_or(u32::MAX);
        Some((of(start), of((start + bytes).saturating_sub(1))))
    }
}

/// How the lock of each block is read, on chips that have such locks.
///
/// From memory of data sheets: 3Ch reads FFh for a protected sector on AT25DF and 3Dh reads bit 0
/// on others; E8h reads bit 0 of the lock register on N25Q and MT25Q; E2h reads FFh for a protected
/// sector on MX25L and MX66L with individual protection. Many such chips power up with all blocks
/// locked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BlockLocks {
    /// The command that reads a byte of the block at the address that follows.
    pub read_opcode: u8,
    /// Bits of that byte which lock the block; one of them is enough.
    pub locked_bits: u8,
    /// Bytes of the smallest block with a lock of its own.
    pub block_bytes: u32,
}

/// How the protection bits of the status register may be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StatusWrite {
    /// The command that allows writing them until the chip loses power: 50h, or 06h if they always
    /// are so. `None` if the chip has no such bits.
    pub volatile_enable: Option<u8>,
    /// Whether 01h is followed by the second register too, as it reads with 35h. Without it, some
    /// chips clear the bit there that allows four data lines.
    pub with_second: bool,
}

/// What a data sheet says about protection.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Facts {
    pub(crate) mask: Option<u8>,
    pub(crate) blocks: Option<BlockProtection>,
    pub(crate) locks: Option<BlockLocks>,
    pub(crate) unlock_all_opcode: Option<u8>,
    pub(crate) status_write: Option<StatusWrite>,
}

impl Facts {
    /// Nothing.
    pub(crate) const NONE: Self =
        Self { mask: None, blocks: None, locks: None, unlock_all_opcode: None, status_write: None };
}

#[cfg(test)]
mod tests {
    //! Goal: the bits protect what the data sheets say. Method: rows of the tables there, from
    //! memory of data sheets except for the place of bit 6.

    use super::*;

    #[test]
    fn rows_of_data_sheets() {
        const MIB: u32 = 1 << 20;
        let last = 16 * MIB - 1;
        let three = BlockProtection::new(16 << 20, 0x1C, 256 << 10).with_bottom_bit(0x20);
        assert_eq!(three.range(0x63), None);
        assert_eq!(three.range(0x04), Some((16 * MIB - (256 << 10), last)));
        assert_eq!(three.range(0x24), Some((0, (256 << 10) - 1)));
        assert_eq!(three.range(0x18), Some((8 * MIB, last)));
        assert_eq!(three.range(0x1C), Some((0, last)));
        let last = 32 * MIB - 1;
        let quad_bit = BlockProtection::new(32 << 20, 0x3C, 64 << 10);
        assert_eq!(quad_bit.range(0x40), None);
        assert_eq!(quad_bit.range(0x20), Some((24 * MIB, last)));
        assert_eq!(quad_bit.range(0x3C), Some((0, last)));
        let four = BlockProtection::new(32 << 20, 0x5C, 64 << 10).with_bottom_bit(0x20);
        assert_eq!(four.range(0x64), Some((0, 16 * MIB - 1)));
        assert_eq!(four.range(0x40), Some((24 * MIB, last)));
        assert_eq!(four.from_bottom().range(0x40), Some((0, 8 * MIB - 1)));
        // All bits: as much as there is, up to 4 GiB.
        for chip_bytes in [1 << 20, 1 << 32, 1 << 40] {
            let all = BlockProtection::new(chip_bytes, 0xFF, 4096).from_bottom();
            for status in 1..=u8::MAX {
                let bytes = 4096_u64.checked_shl(u32::from(status) - 1).unwrap_or(u64::MAX);
                let bytes = if status > 40 { u64::MAX } else { bytes };
                let last = (bytes.min(chip_bytes) - 1).min(u32::MAX.into()) as u32;
                assert_eq!(all.range(status), Some((0, last)), "{chip_bytes:#x} {status}");
            }
        }
    }
}
