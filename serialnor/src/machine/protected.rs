//! Whether the blocks that a command is for are protected.

use crate::error::Error;
use crate::opcode;
use crate::protection::ProtectedBy;

use super::state::{Machine, Phase, Step};

impl Machine {
    /// Goes on to the command if the status protects none of its blocks.
    pub(super) fn check_protection<E>(&mut self) -> Result<(), Error<E>> {
        let (at, len) = self.job.range();
        let range = self.chip.protected_range(self.status);
        if let Some((first, last)) = range.filter(|_| len != 0)
            && at <= last
            && first <= at + (len - 1)
        {
            let by = ProtectedBy::StatusBits(self.status & self.chip.protection_mask);
            return Err(self.fault(Error::Protected { status: self.status, by, first, last }));
        }
        self.offset = 0;
        if self.chip.protection.locks.is_some() && len != 0 {
            self.phase = Phase::CheckLock;
        } else {
            self.go_on_to_command();
        }
        Ok(())
    }

    /// Reads the lock of the block at the offset.
    pub(super) fn ask_lock(&self) -> Step {
        let (at, _) = self.job.range();
        let at = at.wrapping_add(self.offset);
        match self.chip.protection.locks {
            Some(locks) => Step::AskAt(self.command(locks.read_opcode, at)),
            None => Step::Ask(opcode::READ_STATUS),
        }
    }

    /// Goes on to the next block, or to the command.
    pub(super) fn lock_is<E>(&mut self, value: u8) -> Result<(), Error<E>> {
        let (at, len) = self.job.range();
        let Some(locks) = self.chip.protection.locks else {
            self.go_on_to_command();
            return Ok(());
        };
        // Steps of the least size are right for any lock.
        let bytes = locks.block_bytes;
        let bytes = if bytes.is_power_of_two() { bytes.max(256) } else { 256 };
        let place = at.wrapping_add(self.offset);
        let in_block = place & (bytes - 1);
        if value & locks.locked_bits != 0 {
            let by = ProtectedBy::BlockLock(value);
            let first = place - in_block;
            let last = first + (bytes - 1);
            return Err(self.fault(Error::Protected { status: self.status, by, first, last }));
        }
        self.offset = self.offset.saturating_add(bytes - in_block);
        if self.offset >= len {
            self.go_on_to_command();
        }
        Ok(())
    }
}
