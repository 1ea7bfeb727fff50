//! Torn programs that pass a linear check, by Gaussian elimination.
//!
//! A CRC, a parity or any other check of which each bit is a sum modulo 2 of data bits cannot
//! see every torn program if it is programmed together with what it protects: leaving the bits U
//! undone changes the residue by the sum of their columns, so with n bits to clear and a check
//! of r bits at least 2^(n - r) choices of U leave it right. A few of them are enough.

use crate::part::{Image, Step, Tear};
use crate::subject::Subject;

/// Collisions tried per program.
const MOST: usize = 8;

/// A set of bits, by their number among those to clear.
type Bits = Vec<u64>;

/// What is left of a column, and the columns it is the sum of.
struct Row {
    column: u64,
    sum_of: Bits,
}

/// Tears of `step` on `image` after which the check of the record holds although the record is not
/// the one that was programmed. None if the subject names no linear check.
pub(crate) fn collisions<S: Subject>(subject: &S, image: &Image, step: &Step) -> Vec<Tear> {
    let Step::Program { at, data } = step else { return Vec::new() };
    let Some(checked) = subject.linear_check(data) else { return Vec::new() };
    let places = Tear::places_to_clear(image, *at, data);
    let whole = subject.residue(data);
    let mut torn = data.clone();
    let mut rows: Vec<Row> = Vec::new();
    let mut found = Vec::new();
    for (number, &(byte, mask)) in places.iter().enumerate() {
        if !checked.contains(&byte) {
            continue;
        }
        torn[byte] |= mask;
        let mut row = Row {
            column: subject.residue(&torn) ^ whole,
            sum_of: vec![0; places.len().div_ceil(64)],
        };
        torn[byte] = data[byte];
        row.sum_of[number / 64] |= 1 << (number % 64);
        for known in &rows {
            // No two rows have the same highest bit.
            if row.column & 1 << known.column.ilog2() != 0 {
                row.column ^= known.column;
                row.sum_of.iter_mut().zip(&known.sum_of).for_each(|(mine, other)| *mine ^= other);
            }
        }
        if row.column != 0 {
            rows.push(row);
            continue;
        }
        let undone: Vec<u32> = (0..)
            .zip(&places)
            .filter(|(number, _)| row.sum_of[*number as usize / 64] >> (number % 64) & 1 == 1)
            .map(|(number, _)| number)
            .collect();
        let mut passes = data.clone();
        for &number in &undone {
            let (byte, mask) = places[number as usize];
            passes[byte] |= mask;
        }
        // This fails if the check is not linear after all.
        if subject.residue(&passes) == whole {
            found.push(Tear::all_but(undone.into_boxed_slice()));
            if found.len() == MOST {
                break;
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::part::{Geometry, Part};
    use crate::subject::{KeyNames, Op, Trouble};

    /// Programs end in a check of this many bytes.
    struct Checked(usize, fn(&[u8]) -> u64);

    impl Subject for Checked {
        type Store = ();

        fn name(&self) -> &'static str {
            "checked"
        }

        fn open(&self, _: &Part) -> Result<(), Trouble> {
            Ok(())
        }

        fn apply(&self, (): &mut (), _: &Op, _: &KeyNames) -> Result<(), Trouble> {
            Ok(())
        }

        fn get(&self, (): &mut (), _: &str, _: &mut Vec<u8>) -> Result<bool, Trouble> {
            Ok(false)
        }

        fn linear_check(&self, data: &[u8]) -> Option<std::ops::Range<usize>> {
            Some(0..data.len())
        }

        fn residue(&self, data: &[u8]) -> u64 {
            let (body, tail) = data.split_at(data.len() - self.0);
            (self.1)(body) ^ tail.iter().fold(0, |sum, byte| sum << 8 | u64::from(*byte))
        }
    }

    fn crc(bytes: &[u8]) -> u64 {
        u64::from(crate::checksum::crc32(bytes.iter().copied()))
    }

    fn torn(subject: &Checked, body: &[u8]) -> Vec<Vec<u8>> {
        let geometry = Geometry::new(1, 256, 1, 64).unwrap();
        let mut data = body.to_vec();
        let sum = (subject.1)(body).to_be_bytes();
        data.extend(&sum[8 - subject.0..]);
        let step = Step::Program { at: 0, data: data.clone() };
        let blank = Image::blank(&geometry);
        let tears = collisions(subject, &blank, &step);
        tears
            .iter()
            .map(|tear| {
                let mut image = blank.clone();
                image.apply_torn(&geometry, &step, tear);
                let left = image.bytes()[..data.len()].to_vec();
                assert_ne!(left, data);
                left
            })
            .collect()
    }

    #[test]
    fn a_crc_in_the_same_program_is_fooled() {
        let subject = Checked(4, crc);
        // The 16 bytes and the check have some 144 bits to clear; 32 of them are needed.
        let left = torn(&subject, b"outlasts a cut!!");
        assert_eq!(left.len(), MOST);
        for bytes in left {
            assert_eq!(crc(&bytes[..16]).to_be_bytes()[4..], bytes[16..]);
            assert_ne!(&bytes[..16], b"outlasts a cut!!");
        }
        // Fewer bits to clear than the check has: nothing passes (Hamming distance of CRC-32 at
        // short lengths: Koopman, "32-bit cyclic redundancy codes for Internet applications",
        // DSN 2002).
        assert!(torn(&subject, &[0xFF, 0x7F]).is_empty());
    }

    #[test]
    fn a_check_that_is_not_linear_is_not_believed() {
        let squares = |bytes: &[u8]| {
            bytes.iter().map(|byte| u64::from(*byte) * u64::from(*byte)).sum::<u64>() & 0xFFFF
        };
        let subject = Checked(2, squares);
        for bytes in torn(&subject, b"outlasts a cut!!") {
            assert_eq!(subject.residue(&bytes), 0);
        }
    }
}
