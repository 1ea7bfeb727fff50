//! Whether the blocks that a command is for are protected.

use crate::bus::Command;
use crate::error::Error;
use crate::opcode;
use crate::protection::ProtectedBy;

use super::{Machine, Phase, Step};

impl Machine {
    /// Goes on to the command if the status protects none of its blocks.
    pub(super) fn check_protection<E>(&mut self) -> Result<(), Error<E>> {
        let (at, len) = self.job.range();
        let bits = self.status & self.chip.protection_mask;
        if bits != 0 && len != 0 {
            let (start, end) = match self.chip.block_protection {
                Some(protection) => protection.range(self.status),
                None => (0, self.chip.capacity),
            };
            if at < end && start < at + len {
                let by = ProtectedBy::StatusBits(bits);
                let status = self.status;
                return Err(self.fault(Error::Protected { status, by, start, end }));
            }
        }
        self.offset = 0;
        let has_locks = self.chip.block_locks.is_some() && len != 0;
        self.phase = if has_locks { Phase::CheckLock } else { Phase::Begin };
        Ok(())
    }

    /// Reads the lock of the block at the offset.
    pub(super) fn ask_lock(&self) -> Step {
        let (at, _) = self.job.range();
        let at = (at as u32).wrapping_add(self.offset);
        Step::Ask(match self.chip.block_locks {
            Some(locks) => self.command(locks.read_opcode, at),
            None => Command::plain(opcode::READ_STATUS),
        })
    }

    /// Goes on to the next block, or to the command.
    pub(super) fn lock_is<E>(&mut self, value: u8) -> Result<(), Error<E>> {
        let Some(locks) = self.chip.block_locks else {
            self.phase = Phase::Begin;
            return Ok(());
        };
        let (at, len) = self.job.range();
        let bytes = u64::from(locks.block_bytes.max(256));
        let place = at + u64::from(self.offset);
        let start = place - place % bytes;
        if value & locks.locked_bits != 0 {
            let by = ProtectedBy::BlockLock(value);
            let (status, end) = (self.status, start + bytes);
            return Err(self.fault(Error::Protected { status, by, start, end }));
        }
        let next = start + bytes;
        if next < at + len {
            self.offset = (next - at) as u32;
        } else {
            self.phase = Phase::Begin;
        }
        Ok(())
    }
}
