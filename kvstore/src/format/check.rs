//! CRC-32C and zero count: what makes a torn record impossible to mistake for a whole one.

#[cfg(feature = "counters")]
use super::cells::Cells;
use super::crc::extended;
use super::generation::Generation;

/// A record's CRC-32C and zero count, as the number whose bytes, little-endian, are the trailer. Two of them differ
/// by their exclusive or.
pub(crate) type Trailer = u64;

/// Number of 0 bits.
#[cfg_attr(target_pointer_width = "32", inline(never))] // Small parts have no instruction for it.
pub(crate) fn zeros_in(word: u32) -> u32 {
    word.count_zeros()
}

/// Number of 0 bits.
#[cfg(target_pointer_width = "64")]
fn zeros_of(bytes: &[u8]) -> u32 {
    let Some(last) = bytes.last_chunk() else {
        return bytes.iter().map(|byte| byte.count_zeros()).sum();
    };
    let (words, rest) = bytes.as_chunks();
    let of_words = words.iter().map(|word| u64::from_ne_bytes(*word).count_zeros()).sum::<u32>();
    // Of the last eight bytes those that are in no word.
    let counted = u64::MAX >> (8 * rest.len());
    of_words + (u64::from_le_bytes(*last) | counted).count_zeros()
}

#[cfg(not(target_pointer_width = "64"))]
fn zeros_of(bytes: &[u8]) -> u32 {
    bytes.iter().map(|byte| byte.count_zeros()).sum()
}

/// CRC-32C and zero count of a record, byte by byte.
///
/// Zero count: the number of 0 bits before it (J. M. Berger, "A note on error detection codes for
/// asymmetric channels", Information and Control 4, 1961). An interrupted program leaves only
/// extra 1 bits, so the count taken falls or stays while the count stored rises or stays: they
/// agree only if the record is whole.
#[derive(Clone)]
pub(crate) struct Check {
    crc: u32,
    zeros: u32,
    /// What the check does not cover, and the address of the next byte.
    #[cfg(feature = "counters")]
    cells: Cells,
    #[cfg(feature = "counters")]
    at: u32,
}

impl Check {
    pub(crate) fn new(generation: Generation, offset: u32) -> Self {
        let mut check = Self::unseeded();
        check.seed(generation, offset);
        check
    }

    pub(crate) fn unseeded() -> Self {
        Self {
            crc: 0,
            zeros: 0,
            #[cfg(feature = "counters")]
            cells: Cells::NONE,
            #[cfg(feature = "counters")]
            at: 0,
        }
    }

    pub(crate) fn seed(&mut self, generation: Generation, offset: u32) {
        let [e0, e1, e2, e3] = generation.epoch.to_le_bytes();
        let [s0, s1, s2, s3] = generation.sequence.to_le_bytes();
        let [o0, o1, o2, o3] = offset.to_le_bytes();
        let bytes = [e0, e1, e2, e3, s0, s1, s2, s3, o0, o1, o2, o3];
        self.crc = extended(self.crc, &bytes);
    }

    /// Leaves out the cells of a record at `address`, of which no byte was seen yet.
    #[cfg(feature = "counters")]
    pub(crate) const fn leave_out(&mut self, cells: Cells, address: u32) {
        self.cells = cells;
        self.at = address;
    }

    #[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image.
    pub(crate) fn update(&mut self, bytes: &[u8]) {
        #[cfg(feature = "counters")]
        if !self.cells.is_empty() {
            for byte in bytes {
                if !self.cells.holds(self.at) {
                    self.cover(&[*byte]);
                }
                self.at += 1;
            }
            return;
        }
        self.cover(bytes);
    }

    fn cover(&mut self, bytes: &[u8]) {
        self.crc = extended(self.crc, bytes);
        self.zeros += zeros_of(bytes);
    }

    /// CRC little-endian, then the zero count big-endian: its first byte always has zeros, and the
    /// last bytes are never all zero.
    #[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image.
    pub(crate) fn trailer(&self, len: u32) -> Trailer {
        let crc = self.crc;
        let zeros = (self.zeros + zeros_in(crc)).swap_bytes() >> (8 * (8 - len));
        u64::from(crc) | u64::from(zeros) << 32
    }
}

#[cfg(test)]
mod tests {
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

    /// A trailer of the longest record an 8 KiB sector can hold, all zero, neither looks blank nor
    /// does its zero count overflow.
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
