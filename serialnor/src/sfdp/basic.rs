//! The basic flash parameter table. DWORDs are numbered from 1, as in the standard.

use super::error::SfdpError;

/// The contents of the basic table, as far as this driver needs them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Basic {
    /// DWORDs decoded: 9 in revision 1.0, 16 in A and B, 20 in C and D.
    pub dwords: u8,
    /// Size of the chip in bytes.
    pub size_bytes: u64,
    /// Number of address bytes that the chip takes.
    pub address_bytes: AddressBytes,
    /// Erase types by table index; the order says nothing about their sizes.
    pub erase_types: [Option<EraseType>; 4],
    /// Bytes that one program command can reach. Revision 1.0 says so only for chips that program
    /// single bytes.
    pub page_bytes: Option<u32>,
    /// Time to program a page.
    pub page_program: Option<Times>,
    /// Time to program a single byte.
    pub first_byte_program: Option<Times>,
    /// Time for each further byte.
    pub next_byte_program: Option<Times>,
    /// Time to erase the whole chip.
    pub chip_erase: Option<Times>,
    /// Deep power-down, if the chip has it.
    pub power_down: Option<PowerDown>,
    /// Whether bit 0 of the status register (05h) shows that the chip is busy. Some chips have the
    /// bit although their tables leave it out.
    pub has_status_polling: bool,
    /// Whether bit 7 of the flag status register (70h) shows that the chip is ready.
    pub has_flag_status_polling: bool,
    /// Methods to enter 4-byte addressing, bits 31:24 of DWORD 16. 0 if unknown.
    pub four_byte_entry: u8,
    /// Methods to leave it, bits 23:14. 0 if unknown.
    pub four_byte_exit: u16,
    /// Methods of software reset, bits 13:8. 0 if unknown.
    pub soft_reset: u8,
    /// How the bits of the status register are kept and written, bits 6:0 of DWORD 16. 0 if
    /// unknown.
    pub status_volatility: u8,
    /// Which bit allows four data lines, and how it is written, bits 22:20 of DWORD 15.
    pub quad_enable: Option<u8>,
}

/// Number of address bytes of the ordinary commands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AddressBytes {
    /// Three.
    Three,
    /// Three, or four in a mode that a command enters.
    ThreeOrFour,
    /// Four.
    Four,
    /// The reserved code.
    Unknown,
}

/// One size that can be erased.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct EraseType {
    /// Size in bytes, a power of two.
    pub bytes: u32,
    /// The command. It takes the number of address bytes of the current mode.
    pub opcode: u8,
    /// How long it takes. Absent in revision 1.0.
    pub times: Option<Times>,
}

/// Typical and maximum time in microseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Times {
    /// Typical.
    pub typical_us: u64,
    /// Maximum.
    pub maximal_us: u64,
}

/// Deep power-down.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PowerDown {
    /// The command that enters it.
    pub enter_opcode: u8,
    /// The command that leaves it; 00h if any falling edge of chip select wakes the chip.
    pub exit_opcode: u8,
    /// Time in nanoseconds until the chip accepts commands again.
    pub exit_delay_ns: u32,
}

/// A count in the table, which stores one less.
fn count(word: u32, low: u32, bits: u32) -> u64 {
    u64::from(field(word, low, bits)) + 1
}

fn field(word: u32, low: u32, bits: u32) -> u32 {
    word >> low & ((1 << bits) - 1)
}

fn byte(word: u32, number: u32) -> u8 {
    word.to_le_bytes().get(number as usize).copied().unwrap_or(0)
}

fn bit(word: u32, number: u32) -> bool {
    word >> number & 1 == 1
}

impl Times {
    fn new(typical_us: u64, multiplier: u64) -> Self {
        Self { typical_us, maximal_us: typical_us.saturating_mul(multiplier) }
    }
}

impl Basic {
    /// DWORDs in the first revision.
    pub(super) const LEAST_DWORDS: usize = 9;
    /// DWORDs in revision D. Any further ones hold nothing that this driver needs.
    pub(super) const MOST_DWORDS: usize = 20;

    pub(super) fn parse<E>(words: &[u32]) -> Result<Self, SfdpError<E>> {
        let dword = |number: usize| words.get(number - 1).copied();
        let needed = |number| dword(number).ok_or(SfdpError::NoBasicTable);
        let (first, density) = (needed(1)?, needed(2)?);
        let types = [needed(8)?, needed(9)?];
        let size_bytes = size_bytes(density).ok_or(SfdpError::BadDensity(density))?;
        let erase_times = dword(10);
        let erase_types = core::array::from_fn(|index| {
            let word = types.get(index / 2).copied().unwrap_or(0);
            let shift = 2 * (index as u32 % 2);
            let (exponent, opcode) = (byte(word, shift), byte(word, shift + 1));
            let times = erase_times.map(|word| erase_times_of(word, index as u32));
            // An unused type has the exponent 0.
            (1..32).contains(&exponent).then(|| EraseType { bytes: 1 << exponent, opcode, times })
        });
        let program = dword(11);
        let program_times = |low: u32, bits: u32, unit_low: u64, unit_high: u64| {
            program.map(|word| {
                let unit = if bit(word, low + bits) { unit_high } else { unit_low };
                Times::new(count(word, low, bits) * unit, 2 * count(word, 0, 4))
            })
        };
        let polling = dword(14);
        // A blank DWORD says nothing; bit 31 on its own is reserved.
        let modes = dword(16).filter(|word| *word != u32::MAX).unwrap_or(0);
        Ok(Self {
            dwords: u8::try_from(words.len()).unwrap_or(u8::MAX),
            size_bytes,
            address_bytes: match field(first, 17, 2) {
                0 => AddressBytes::Three,
                1 => AddressBytes::ThreeOrFour,
                2 => AddressBytes::Four,
                _ => AddressBytes::Unknown,
            },
            erase_types,
            page_bytes: match program {
                Some(word) => Some(1 << field(word, 4, 4)),
                None => (!bit(first, 2)).then_some(1),
            },
            page_program: program_times(8, 5, 8, 64),
            first_byte_program: program_times(14, 4, 1, 8),
            next_byte_program: program_times(19, 4, 1, 8),
            chip_erase: program.zip(erase_times).map(|(program, erase)| {
                let unit = [16_000, 256_000, 4_000_000, 64_000_000];
                let unit = unit.get(field(program, 29, 2) as usize).copied().unwrap_or(0);
                Times::new(count(program, 24, 5) * unit, 2 * count(erase, 0, 4))
            }),
            power_down: polling.filter(|word| !bit(*word, 31)).map(|word| {
                let unit = [128, 1_000, 8_000, 64_000];
                let unit = unit.get(field(word, 13, 2) as usize).copied().unwrap_or(0);
                PowerDown {
                    enter_opcode: field(word, 23, 8) as u8,
                    exit_opcode: field(word, 15, 8) as u8,
                    exit_delay_ns: (field(word, 8, 5) + 1) * unit,
                }
            }),
            has_status_polling: polling.is_some_and(|word| bit(word, 2)),
            has_flag_status_polling: polling.is_some_and(|word| bit(word, 3)),
            four_byte_entry: if byte(modes, 3) == 0xFF { 0 } else { byte(modes, 3) },
            four_byte_exit: field(modes, 14, 10) as u16,
            soft_reset: field(modes, 8, 6) as u8,
            status_volatility: field(modes, 0, 7) as u8,
            quad_enable: dword(15).map(|word| field(word, 20, 3) as u8),
        })
    }
}

/// DWORD 2: the number of bits less one, or, with bit 31 set, their power of two.
fn size_bytes(density: u32) -> Option<u64> {
    if !bit(density, 31) {
        let bits = u64::from(density) + 1;
        return (bits >= 8).then_some(bits / 8);
    }
    let exponent = density & 0x7FFF_FFFF;
    (3..64).contains(&exponent).then(|| 1 << (exponent - 3))
}

/// DWORD 10: the times of one erase type.
fn erase_times_of(word: u32, index: u32) -> Times {
    let low = 4 + 7 * index;
    let unit = [1_000, 16_000, 128_000, 1_000_000];
    let unit = unit.get(field(word, low + 5, 2) as usize).copied().unwrap_or(0);
    Times::new(count(word, low, 5) * unit, 2 * count(word, 0, 4))
}
