//! Kinds of chip: size, commands, tables and peculiarities of the simulated part on its bus.

use crate::part::Geometry;

/// The tables of a real chip: see `serialnor/tests/sfdp/README.md`.
const MX66L1G45G: &str = include_str!("mx66l1g45g.hex");

/// A size that the chip can erase, and the commands for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Erase {
    pub(super) bytes: u32,
    pub(super) plain: u8,
    pub(super) four_byte: u8,
}

/// A kind of chip. The cells of the part are a window of its address space.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Profile {
    pub(super) id: [u8; 3],
    pub(super) tables: Vec<u8>,
    pub(super) capacity: u64,
    pub(super) page: u32,
    pub(super) erases: Vec<Erase>,
    /// Address of the first cell of the part.
    pub(super) base: u32,
    /// Whether it has commands with four address bytes in every mode.
    pub(super) has_four_byte_opcodes: bool,
    /// Whether B7h and E9h are obeyed only after 06h.
    pub(super) address_mode_needs_latch: bool,
    /// The block protection bits of the status register.
    pub(super) protection: u8,
    /// Whether a program or erase of a protected block clears the write enable latch. Otherwise the
    /// latch stays set.
    pub(super) clears_latch_when_protected: bool,
    /// One in this many write enable commands is missed; 0 if none is.
    pub(super) misses_one_enable_of: u32,
    /// How long after power-up write enable is ignored.
    pub(super) write_inhibit_ns: u64,
}

const THREE_BYTE_REACH: u32 = 1 << 24;

impl Profile {
    /// The 128 MiB part that these tables come from, for 4 KiB sectors and pages of 256 bytes. The
    /// window straddles the limit of what three address bytes reach.
    pub fn mx66l1g45g(geometry: &Geometry) -> Self {
        let byte = |text| u8::from_str_radix(text, 16).unwrap_or(0xFF);
        Self {
            id: [0xC2, 0x20, 0x1B],
            tables: MX66L1G45G.split_ascii_whitespace().map(byte).collect(),
            capacity: 128 << 20,
            page: 256,
            erases: vec![
                Erase { bytes: 4 << 10, plain: 0x20, four_byte: 0x21 },
                Erase { bytes: 32 << 10, plain: 0x52, four_byte: 0x5C },
                Erase { bytes: 64 << 10, plain: 0xD8, four_byte: 0xDC },
            ],
            base: across(geometry),
            has_four_byte_opcodes: true,
            address_mode_needs_latch: false,
            protection: 0,
            // The sheet of MX25UM25645G says so, as quoted in a public post-mortem.
            clears_latch_when_protected: true,
            misses_one_enable_of: 0,
            write_inhibit_ns: 0,
        }
    }

    /// An invented 32 MiB part for other sizes, with generated tables.
    pub fn invented(geometry: &Geometry) -> Self {
        let small = geometry.sector_bytes.max(1);
        let erases = vec![
            Erase { bytes: small * 8, plain: 0x52, four_byte: 0x5C },
            Erase { bytes: small, plain: 0x20, four_byte: 0x21 },
        ];
        let mut profile = Self {
            // Bank 1, number 12h. Odd parity turns 12h into 92h.
            id: [0x92, 0x40, 0x19],
            tables: Vec::new(),
            capacity: 32 << 20,
            page: geometry.page,
            erases,
            base: across(geometry),
            has_four_byte_opcodes: true,
            address_mode_needs_latch: false,
            protection: 0,
            clears_latch_when_protected: false,
            misses_one_enable_of: 0,
            write_inhibit_ns: 0,
        };
        profile.tables = profile.tables();
        profile
    }

    /// The kind of chip that fits the geometry.
    pub fn of(geometry: &Geometry) -> Self {
        if geometry.sector_bytes == 4096 && geometry.page == 256 {
            Self::mx66l1g45g(geometry)
        } else {
            Self::invented(geometry)
        }
    }

    /// The same as a small chip that has only the part's cells and is addressed by three bytes.
    #[must_use]
    pub fn small(mut self, geometry: &Geometry) -> Self {
        self.capacity = geometry.bytes().into();
        self.base = 0;
        self.has_four_byte_opcodes = false;
        self.tables = self.tables();
        self
    }

    /// The same with a mode for four address bytes instead of commands with four address bytes.
    #[must_use]
    pub fn with_address_mode(mut self) -> Self {
        self.has_four_byte_opcodes = false;
        self.tables = self.tables();
        self
    }

    /// The same with a mode for four address bytes instead of commands with four address bytes; 06h
    /// must precede B7h and E9h.
    #[must_use]
    pub fn with_latched_address_mode(mut self) -> Self {
        self.address_mode_needs_latch = true;
        self.with_address_mode()
    }

    /// The same without tables.
    #[must_use]
    pub fn without_tables(mut self) -> Self {
        self.tables.clear();
        self
    }

    /// The same with these bits set in its status. Any of bits 2 to 6 protects all blocks.
    #[must_use]
    pub fn with_protection(mut self, bits: u8) -> Self {
        self.protection = bits & 0b0111_1100;
        self
    }

    /// The same, but a command for a protected block leaves the write enable latch as the other
    /// kind does: it stays set on MT25QL256, and is cleared on MX25UM25645G.
    #[must_use]
    pub fn with_other_refusals(mut self) -> Self {
        self.clears_latch_when_protected = !self.clears_latch_when_protected;
        self
    }

    /// The same, ignoring write enable for this long after power-up.
    #[must_use]
    pub fn with_write_inhibit_us(mut self, microseconds: u64) -> Self {
        self.write_inhibit_ns = microseconds * 1_000;
        self
    }

    /// The same on a bus where one in `many` write enable commands is lost to a glitch.
    #[must_use]
    pub fn missing_one_enable_of(mut self, many: u32) -> Self {
        self.misses_one_enable_of = many;
        self
    }

    /// Address of the first cell of the part.
    pub fn base(&self) -> u32 {
        self.base
    }

    /// Tables of revision B that match the profile. Times: program 200/800 us, erase 96/384 ms for
    /// all types.
    fn tables(&self) -> Vec<u8> {
        let mut words = [u32::MAX; 16];
        words[0] = 0xFFF0_20E5 | if self.capacity > THREE_BYTE_REACH.into() { 1 << 17 } else { 0 };
        words[1] = u32::try_from(self.capacity * 8 - 1).unwrap_or(u32::MAX >> 1);
        let types: Vec<u32> = self
            .erases
            .iter()
            .map(|erase| erase.bytes.trailing_zeros() | u32::from(erase.plain) << 8)
            .collect();
        let kind = |index: usize| types.get(index).copied().unwrap_or(0xFF00);
        words[7] = kind(0) | kind(1) << 16;
        words[8] = kind(2) | kind(3) << 16;
        // Multiplier 4; (5 + 1) * 16 ms each.
        words[9] = (0..4).fold(1, |word, index| word | (5 | 1 << 5) << (4 + 7 * index));
        // Multiplier 4; (24 + 1) * 8 us.
        words[10] = 1 | self.page.trailing_zeros() << 4 | 24 << 8;
        // Deep power-down B9h, ABh, 30 us; status polling.
        words[13] = 0xB9 << 23 | 0xAB << 15 | 1 << 13 | 29 << 8 | 1 << 2;
        // B7h and E9h, with or without 06h; reset by 66h and 99h.
        words[15] = (1 << 24 | 1 << 14) << u32::from(self.address_mode_needs_latch) | 1 << 12;
        let last_table = u8::from(self.has_four_byte_opcodes);
        let mut bytes = vec![0x53, 0x46, 0x44, 0x50, 6, 1, last_table, 0xFF];
        bytes.extend([0x00, 6, 1, 16, 0x18, 0, 0, 0xFF]);
        bytes.extend([0x84, 0, 1, 2, 0x58, 0, 0, 0xFF]);
        bytes.extend(words.iter().flat_map(|word| word.to_le_bytes()));
        let erases = (1_u32 << self.erases.len()) - 1;
        bytes.extend((0xFFFF_E000 | 1 | 1 << 1 | 1 << 6 | erases << 9).to_le_bytes());
        let mut opcodes = [0xFF; 4];
        for (opcode, erase) in opcodes.iter_mut().zip(&self.erases) {
            *opcode = erase.four_byte;
        }
        bytes.extend(opcodes);
        bytes
    }
}

/// The base address at which half of the part lies on each side of the limit of three address
/// bytes, in whole blocks.
fn across(geometry: &Geometry) -> u32 {
    let half = geometry.sectors / 2 * geometry.sector_bytes;
    THREE_BYTE_REACH - half
}
