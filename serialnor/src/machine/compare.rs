//! Whether the bytes read back are those that the command should have left.

use crate::error::Error;

use super::{Job, Machine};

/// Bytes read back at a time.
pub(crate) const COMPARED_BYTES: usize = 64;

/// A checksum of the bytes that a program should leave: CRC-32C, bit by bit, since it is rarely
/// needed and a table would cost more code than all of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Checksum(u32);

impl Checksum {
    /// Of nothing.
    pub(crate) const fn new() -> Self {
        Self(u32::MAX)
    }

    /// Takes one more byte.
    pub(crate) fn push(&mut self, byte: u8) {
        self.0 ^= u32::from(byte);
        for _ in 0..8 {
            let odd = self.0 & 1;
            self.0 = self.0 >> 1 ^ (0x82F6_3B78 & odd.wrapping_neg());
        }
    }
}

impl Machine {
    /// Begins to compare what the command left.
    pub(super) const fn start_comparing(&mut self) {
        self.offset = 0;
        self.checksum = Checksum::new();
    }

    /// Takes bytes that were read back. `data` is what the job programs, if the front has it.
    pub(crate) fn compare<E>(&mut self, read: &[u8], data: &[u8]) -> Result<(), Error<E>> {
        let (at, len) = self.job.range();
        let offset = self.offset;
        let end = offset.saturating_add(read.len() as u32);
        let is_last = u64::from(end) >= len;
        let wrong = match self.job {
            Job::Program { sum: Some(sum), .. } => {
                read.iter().for_each(|byte| self.checksum.push(*byte));
                (is_last && self.checksum != sum).then_some(0)
            }
            Job::Program { .. } => {
                let wanted = data.get(offset as usize..).unwrap_or(&[]);
                let differs = |(read, wanted)| read != wanted;
                let place = read.iter().zip(wanted).position(differs);
                place.map(|place| offset.wrapping_add(place as u32))
            }
            _ => {
                let place = read.iter().position(|byte| *byte != 0xFF);
                place.map(|place| offset.wrapping_add(place as u32))
            }
        };
        if let Some(place) = wrong {
            return Err(self.fault(Error::Verify { at: (at as u32).wrapping_add(place) }));
        }
        self.offset = end;
        if is_last {
            self.command_is_done();
        }
        Ok(())
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
