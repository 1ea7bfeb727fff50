//! The JEP106 manufacturer ID and the device ID bytes that follow it.

use core::fmt;

/// Means that the manufacturer ID is in the next bank (JEP106).
const CONTINUATION: u8 = 0x7F;

/// A chip's answer to "read ID" (9Fh).
///
/// Use it for logs, and to choose a data sheet per part. IDs are not unique: many parts of
/// manufacturers in higher banks leave out the continuation bytes, and chips with equal IDs may
/// have different tables. The driver therefore takes no other information from them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct JedecId {
    /// Bank of the manufacturer ID, from 1: one more than the number of continuation bytes sent.
    pub bank: u8,
    /// The manufacturer ID, parity bit included.
    pub manufacturer: u8,
    /// The two bytes after it, by convention the type of memory and its size.
    pub device: [u8; 2],
}

impl JedecId {
    /// Bytes worth reading: continuation bytes for the highest bank in use, the manufacturer ID and
    /// the device ID.
    pub const ANSWER_BYTES: usize = 16;

    /// Decodes the answer. `None` if it holds nothing but continuation bytes, or if all bytes are
    /// 00h or all FFh, as a bus without a chip reads.
    pub fn parse(answer: &[u8]) -> Option<Self> {
        if stuck(answer).is_some() {
            return None;
        }
        let skipped = answer.iter().take_while(|byte| **byte == CONTINUATION).count();
        let mut rest = answer.iter().skip(skipped).copied();
        let manufacturer = rest.next()?;
        let device = [rest.next().unwrap_or(0), rest.next().unwrap_or(0)];
        let bank = u8::try_from(skipped).ok()?.checked_add(1)?;
        Some(Self { bank, manufacturer, device })
    }

    /// Whether the manufacturer ID has odd parity, as every JEP106 ID has. An answer without it was
    /// garbled on the bus or is shifted by some clocks.
    pub const fn has_valid_parity(&self) -> bool {
        self.manufacturer.count_ones() % 2 == 1
    }
}

impl fmt::Display for JedecId {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [kind, size] = self.device;
        write!(out, "{:02x} {kind:02x} {size:02x}, bank {}", self.manufacturer, self.bank)
    }
}

/// The level of a line that does not move: 00h or FFh if all bytes are that.
pub(crate) fn stuck(answer: &[u8]) -> Option<u8> {
    let level = *answer.first()?;
    (matches!(level, 0x00 | 0xFF) && answer.iter().all(|byte| *byte == level)).then_some(level)
}

#[cfg(test)]
mod tests {
    //! Goal: IDs decode as JEP106 defines them. Method: answers of real parts, and of a bus without
    //! a chip.

    use super::*;

    // JEP106AM, abstract: 7 data bits and an odd parity bit; 7Fh points to the next bank.
    // AT45DB041D data sheet, section 14.1: read on while 7Fh.
    #[test]
    fn continuation_bytes_count_banks() {
        let id = JedecId::parse(&[0x7F, 0x7F, 0x9D, 0x70, 0x19, 0]).unwrap();
        assert_eq!((id.bank, id.manufacturer, id.device), (3, 0x9D, [0x70, 0x19]));
        assert_eq!(JedecId::parse(&[0x7F; 16]), None);
        let short = JedecId::parse(&[0xC2]).unwrap();
        assert_eq!((short.bank, short.device), (1, [0, 0]));
    }

    // Answers of real parts as published with their tables; see tests/sfdp/README.md.
    #[test]
    fn manufacturer_ids_of_real_parts_have_odd_parity() {
        for answer in [
            [0x20, 0xBB, 0x19],
            [0x9D, 0x70, 0x19],
            [0x1F, 0x42, 0x18],
            [0x34, 0x2B, 0x19],
            [0xC2, 0x84, 0x3B],
            [0x68, 0x40, 0x18],
            [0x2C, 0x5B, 0x1B],
        ] {
            assert!(JedecId::parse(&answer).unwrap().has_valid_parity(), "{answer:02x?}");
        }
        assert!(!JedecId::parse(&[0xC0, 0x20, 0x1B]).unwrap().has_valid_parity());
    }

    #[test]
    fn a_bus_without_a_chip_has_no_id() {
        assert_eq!(JedecId::parse(&[0; 16]), None);
        assert_eq!(JedecId::parse(&[0xFF; 16]), None);
        assert_eq!(JedecId::parse(&[]), None);
        assert_eq!(stuck(&[0xFF, 0xFE]), None);
    }
}
