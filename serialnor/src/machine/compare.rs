//! Whether the bytes read back are those that the command should have left.

use crate::checksum::Checksum;
use crate::error::Error;

use super::{Job, Machine};

/// Bytes read back at a time.
pub(crate) const COMPARED_BYTES: usize = 64;

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
