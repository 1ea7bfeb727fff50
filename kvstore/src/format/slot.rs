//! Slots: decisions about the sectors that follow, about the sector that they stand in, or about
//! the oldest one.
//!
//! A slot is a tag and a word. The tag is programmed first, so a slot whose tag reads blank holds
//! no word that was ever begun, and no word is programmed twice. The words of all decisions have
//! the same number of zeros, so an interrupted one never reads as another.

use super::crc::{crc32c, extended};

/// Bytes of a decision's word.
pub(crate) const WORD: u32 = 4;

/// Whether a slot is begun whose tag has this many zeros. No word is begun before its tag reads as
/// zeros. A slot that one wrong bit seems to have begun must not be used up.
pub(crate) const fn is_begun(zeros_in_tag: u32) -> bool {
    zeros_in_tag >= 2
}

/// What a slot says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Decision {
    /// The sector that follows counts.
    In = 0x0000,
    /// The sector that follows does not count.
    Out = 0xFFFF,
    /// The sector that the slot stands in counts, whatever the sector before it says, and the sector
    /// that follows does not.
    Own = 0x5A5A,
    /// The sector after the one that follows counts: the one that follows was passed over, since it
    /// cannot be erased or takes no programs.
    Over = 0xA5A5,
    /// The oldest sector that the opening of this sector names is no longer part of the log.
    Retired = 0x3C3C,
}

impl Decision {
    const ALL: [Self; 5] = [Self::In, Self::Out, Self::Own, Self::Over, Self::Retired];

    /// The word that says this in slot `slot` of the sector with this sequence number.
    pub(crate) fn word(self, sequence: u32, slot: u32) -> u32 {
        let check = extended(crc32c(&sequence.to_le_bytes()), &slot.to_le_bytes());
        let word = check & 0xFFFF ^ self as u32;
        word | !word << 16
    }

    /// Whether a word may be what this leaves, or what is left of it if it was interrupted: no zeros
    /// but its own. One bit of it may be wrong.
    pub(crate) fn may_have_left(self, word: u32, sequence: u32, slot: u32) -> bool {
        let others = !word & self.word(sequence, slot);
        others & others.wrapping_sub(1) == 0
    }

    /// The decision that a word stands for. One bit of it may be wrong: two words differ in many.
    pub(crate) fn decode(word: u32, sequence: u32, slot: u32) -> Option<Self> {
        let wrong = Self::In.word(sequence, slot) ^ word;
        for &decision in &Self::ALL {
            // A decision changes a word and its complement alike.
            let rest = wrong ^ (decision as u32 | (decision as u32) << 16);
            if rest & rest.wrapping_sub(1) == 0 {
                return Some(decision);
            }
        }
        None
    }
}

#[cfg(test)]
mod tests {
    //! Tears words, flips their bits, and compares them with each other.

    use super::*;

    #[test]
    fn words_pass_with_one_wrong_bit_and_torn_ones_are_no_other_decision() {
        let all = Decision::ALL;
        for (sequence, slot) in (0..500).map(|n| (n * 77_771, n % 12)) {
            for decision in all {
                let word = decision.word(sequence, slot);
                assert_eq!(word.count_ones(), 16);
                assert_eq!(Decision::decode(word, sequence, slot), Some(decision));
                for bit in 0..32 {
                    let flipped = Decision::decode(word ^ 1 << bit, sequence, slot);
                    assert_eq!(flipped, Some(decision));
                }
                // Every way in which an interrupted program can leave the word.
                let mut missing = !word;
                while missing != 0 {
                    let torn = Decision::decode(word | missing, sequence, slot);
                    assert!(torn.is_none() || torn == Some(decision));
                    missing = (missing - 1) & !word;
                }
            }
            assert_eq!(Decision::decode(u32::MAX, sequence, slot), None);
            assert_eq!(Decision::decode(0, sequence, slot), None);
        }
    }
}
