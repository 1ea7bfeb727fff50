//! CRC-32C and zero count, which together end every record.
//!
//! The zero count is the number of 0 bits before it (J. M. Berger, "A note on error detection codes
//! for asymmetric channels", Information and Control 4, 1961). An interrupted program leaves only
//! extra 1 bits. These can lower the count that a reader computes, and raise the count that is
//! stored, but never the reverse. So the two agree only if the record is whole.

use super::crc::extended;
use super::generation::Generation;

/// A record's CRC-32C and zero count as one number. Its bytes, little-endian, are the trailer.
pub(crate) type Trailer = u64;

/// Number of 0 bits in a word.
pub(crate) fn zeros_in(word: u32) -> u32 {
    // Small processors have no instruction for it, so it is long.
    if cfg!(target_pointer_width = "32") {
        zeros_of(&word.to_le_bytes())
    } else {
        word.count_zeros()
    }
}

/// Number of 0 bits in all bytes.
#[cfg(target_pointer_width = "64")]
#[inline]
pub(crate) fn zeros_of(bytes: &[u8]) -> u32 {
    let Some(last) = bytes.last_chunk() else {
        return bytes.iter().map(|byte| byte.count_zeros()).sum();
    };
    let (words, rest) = bytes.as_chunks();
    let of_words = words.iter().map(|word| u64::from_ne_bytes(*word).count_zeros()).sum::<u32>();
    // The last eight bytes, without those that were counted as part of a word.
    let counted = u64::MAX >> (8 * rest.len());
    of_words + (u64::from_le_bytes(*last) | counted).count_zeros()
}

#[cfg(not(target_pointer_width = "64"))]
#[inline(never)]
pub(crate) fn zeros_of(bytes: &[u8]) -> u32 {
    bytes.iter().map(|byte| byte.count_zeros()).sum()
}

/// Computes CRC-32C and zero count from a record's bytes, given in order.
#[derive(Clone)]
pub(crate) struct Check {
    crc: u32,
    zeros: u32,
}

impl Check {
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    #[cfg_attr(target_pointer_width = "64", inline)]
    pub(crate) fn new(generation: Generation, offset: u32) -> Self {
        let mut check = Self::unseeded();
        check.seed(generation, offset);
        check
    }

    pub(crate) const fn unseeded() -> Self {
        Self { crc: 0, zeros: 0 }
    }

    #[cfg_attr(target_pointer_width = "32", inline(never))]
    #[cfg_attr(target_pointer_width = "64", inline)]
    pub(crate) fn seed(&mut self, generation: Generation, offset: u32) {
        let [e0, e1, e2, e3] = generation.epoch.to_le_bytes();
        let [s0, s1, s2, s3] = generation.sequence.to_le_bytes();
        let [o0, o1, o2, o3] = offset.to_le_bytes();
        let bytes = [e0, e1, e2, e3, s0, s1, s2, s3, o0, o1, o2, o3];
        self.crc = extended(self.crc, &bytes);
    }

    #[cfg_attr(target_pointer_width = "32", inline(never))]
    #[cfg_attr(target_pointer_width = "64", inline)]
    pub(crate) fn update(&mut self, bytes: &[u8]) {
        self.crc = extended(self.crc, bytes);
        self.zeros += zeros_of(bytes);
    }

    /// The trailer that should follow, `len` bytes: the CRC little-endian, then the zero count
    /// big-endian. The first byte of the count always has some zeros, and its last two bytes are
    /// never both zero.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    #[cfg_attr(target_pointer_width = "64", inline)]
    pub(crate) fn trailer(&self, len: u32) -> Trailer {
        let crc = self.crc;
        let zeros = (self.zeros + zeros_in(crc)).swap_bytes() >> (8 * (8 - len));
        u64::from(crc) | u64::from(zeros) << 32
    }
}

#[cfg(test)]
mod tests {
    //! Counts zeros the slow way, and looks at the extreme values of the count.

    use super::*;

    const GENERATION: Generation = Generation { epoch: 7, sequence: 11 };

    #[test]
    fn zeros_are_counted_at_every_length() {
        let bytes: [u8; 40] = core::array::from_fn(|n| (n * 37) as u8);
        for len in 0..=bytes.len() {
            let one_by_one: u32 = bytes[..len].iter().map(|byte| byte.count_zeros()).sum();
            assert_eq!(zeros_of(&bytes[..len]), one_by_one);
        }
    }

    /// The longest record that an 8 KiB sector can hold, all zero: its zero count does not
    /// overflow, and does not look blank.
    #[test]
    fn the_short_zero_count_suffices() {
        let mut check = Check::new(GENERATION, 64);
        check.update(&[0; 8192 - 32 - 6]);
        let [_, _, _, _, z0, z1, 0, 0] = check.trailer(6).to_le_bytes() else { panic!() };
        assert_eq!(check.trailer(7).to_le_bytes()[4], 0);
        assert_ne!(z0, 0xFF);
        assert_ne!([z0, z1], [0, 0]);
    }
}
