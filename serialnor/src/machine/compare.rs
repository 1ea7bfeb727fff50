//! Whether the bytes read back are those that the command should have left.

use crate::checksum::Checksum;
use crate::error::Error;

use super::job::Job;
use super::state::{Machine, Phase};

/// Bytes read back at a time.
pub(crate) const COMPARED_BYTES: usize = 64;

impl Machine {
    /// Begins to compare what the command left. If the chip lost its supply meanwhile, it may have
    /// lost its mode too, and another place may read as this one should.
    pub(super) fn start_comparing(&mut self) {
        self.offset = 0;
        self.checksum = Checksum::new();
        if self.chip.mode_command.is_some_and(|mode| mode.before_each_use) {
            self.tries = 0;
            self.is_comparing = true;
            self.set_mode(1);
        } else {
            self.phase = Phase::Compare;
        }
    }

    /// Takes bytes that were read back. `data` is what the job programs, if the front has it.
    pub(crate) fn compare<E>(&mut self, read: &[u8], data: &[u8]) -> Result<(), Error<E>> {
        let (at, len) = self.job.range();
        let begin = self.offset;
        let mut wrong = None;
        for byte in read {
            let wanted = match self.job {
                Job::Program { sum: Some(_), .. } => {
                    self.checksum.push(*byte);
                    *byte
                }
                Job::Program { .. } => data.get(self.offset as usize).copied().unwrap_or(*byte),
                _ => 0xFF,
            };
            if *byte != wanted {
                wrong = Some(self.offset);
                break;
            }
            self.offset += 1;
        }
        let is_last = self.offset >= len || self.offset == begin;
        if let Job::Program { sum: Some(sum), .. } = self.job
            && is_last
            && sum != self.checksum
        {
            wrong = Some(0);
        }
        if let Some(place) = wrong {
            return Err(self.fault(Error::Verify { at: at.wrapping_add(place) }));
        }
        if is_last {
            self.command_is_done();
        }
        Ok(())
    }
}
