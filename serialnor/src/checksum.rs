//! CRC-32C.

/// A checksum: CRC-32C, bit by bit, since it is rarely needed and a table would cost more code than
/// all of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Checksum(u32);

impl Checksum {
    /// Of nothing.
    pub(crate) const fn new() -> Self {
        Self(u32::MAX)
    }

    /// Takes one more byte.
    #[inline(never)]
    pub(crate) fn push(&mut self, byte: u8) {
        self.0 ^= u32::from(byte);
        for _ in 0..8 {
            let odd = self.0 & 1;
            self.0 = self.0 >> 1 ^ (0x82F6_3B78 & odd.wrapping_neg());
        }
    }
}

#[cfg(test)]
mod tests {
    //! Goal: the checksum is CRC-32C. Method: the check value of the catalogue, and a vector of
    //! RFC 3720, appendix B.4.

    use super::*;

    fn of(bytes: impl IntoIterator<Item = u8>) -> u32 {
        let mut sum = Checksum::new();
        bytes.into_iter().for_each(|byte| sum.push(byte));
        !sum.0
    }

    #[test]
    fn published_values_are_met() {
        assert_eq!(of(*b"123456789"), 0xE306_9283);
        assert_eq!(of([0; 32]), 0x8A91_36AA);
        assert_eq!(of([0xFF; 32]), 0x62A8_AB43);
    }
}
