//! The commands of a job, one after the other.

use crate::bus::Command;
use crate::error::Work;
use crate::timeout::{erase_timeout_us, erase_typical_us};

use super::compare::COMPARED_BYTES;
use super::job::Job;
use super::state::{Goal, Machine, Phase, START_POLL_US, Step};

impl Machine {
    /// Takes a job for a chip that is idle.
    pub(crate) fn begin(&mut self, job: Job) {
        self.job = job;
        self.start_command();
    }

    /// The erase of a range, if it is empty or the chip can erase its start.
    pub(crate) fn erase_job(&self, at: u32, to: u32) -> Option<Job> {
        if at >= to {
            return Some(Job::None);
        }
        let (kind, erase) = self.chip.erase_for(at, to)?;
        Some(Job::Erase { at, to, bytes: erase.bytes, kind: kind as u8, is_repeated: false })
    }

    /// Begins the next command of the job, or repeats the last one.
    pub(super) fn start_command(&mut self) {
        self.tries = 0;
        self.is_comparing = false;
        let is_over = matches!(self.job, Job::None);
        self.phase = if is_over { Phase::Rest } else { Phase::Enable(Goal::Command) };
    }

    /// Goes on to the command, since its blocks are not protected.
    ///
    /// The latch is set by now. If the chip loses its mode to a dip of its supply, it loses its
    /// latch too and ignores the command. Before write enable the mode command would not do that.
    pub(super) fn go_on_to_command(&mut self) {
        if self.chip.mode_command.is_some_and(|mode| mode.before_each_use) {
            self.modes_left = 1;
            self.phase = Phase::Mode;
        } else {
            self.phase = Phase::Begin;
        }
    }

    /// The command of the job.
    pub(super) fn send_job(&mut self) -> Step {
        match self.job {
            Job::None | Job::Mode => {
                self.phase = Phase::Disable;
                Step::Wait(0)
            }
            Job::Own { longest_us } => {
                self.wait_for(Work::Command, longest_us, START_POLL_US);
                Step::SendData(Command::NONE)
            }
            Job::Program { at, .. } => {
                let poll_us = (self.chip.program_typical_us / 8).clamp(10, 1_000);
                self.wait_for(Work::Program, self.chip.program_timeout_us, poll_us);
                Step::SendData(self.command(self.chip.program_opcode, at))
            }
            Job::Erase { at, kind, .. } => {
                let Some(Some(erase)) = self.chip.erase_types.get(usize::from(kind)) else {
                    // Not reached: the job was made from this type.
                    self.phase = Phase::Disable;
                    return Step::Wait(0);
                };
                let (opcode, longest_us) = (erase.opcode, erase_timeout_us(erase));
                let poll_us = (erase_typical_us(erase) / 32).clamp(100, 10_000);
                self.wait_for(Work::Erase, longest_us, poll_us);
                Step::SendAt(self.command(opcode, at))
            }
        }
    }

    /// Goes on after a command whose effect is sure.
    pub(super) fn command_is_done(&mut self) {
        self.job = match self.job {
            // A range that can be erased to here can be erased to its end.
            Job::Erase { at, to, bytes, .. } => self.erase_job(at + bytes, to).unwrap_or(Job::None),
            _ => Job::None,
        };
        self.start_command();
        // The mode command before reading back may have left the latch set.
        let mode = self.chip.mode_command;
        let enabled = mode.is_some_and(|mode| mode.before_each_use && mode.write_enable);
        if !self.is_working() && (self.policy.latch_stays_set || enabled) {
            self.phase = Phase::Disable;
        }
    }

    /// The next bytes of the command to read back.
    pub(super) fn read_back(&self) -> Step {
        let (at, len) = self.job.range();
        let left = len.saturating_sub(self.offset) as usize;
        let len = left.min(COMPARED_BYTES).min(self.room_to_read());
        Step::Compare(self.read_command(at.wrapping_add(self.offset)), len)
    }
}
