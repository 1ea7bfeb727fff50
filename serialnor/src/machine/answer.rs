//! What the machine makes of the chip's answers.

use crate::error::{Error, Work};
use crate::opcode;

use super::job::Job;
use super::state::{ENABLE_PAUSE_US, Goal, Machine, Phase};

/// How many times a command without effect is sent at most: a glitch may have cost the first one.
const TRIES: u32 = 3;
/// A status that reads FFh for this long is not that of a chip: with every protection bit set a
/// chip cannot have been programming or erasing, and writing a register takes about 15 ms at most.
const STUCK_AFTER_US: u32 = 1_000_000;

impl Machine {
    /// Takes the byte that [`super::Step::Ask`] asked for.
    ///
    /// An error ends the job. If the chip is idle, the next steps clear its latch.
    pub(crate) fn answer<E>(&mut self, value: u8) -> Result<(), Error<E>> {
        match self.phase {
            Phase::CheckLatch(goal) => self.latch_is(goal, value),
            Phase::CheckMode => self.mode_is(value),
            Phase::CheckLock => self.lock_is(value),
            Phase::Poll if value & opcode::BUSY != 0 => self.is_busy(value),
            Phase::Poll if self.chip.polls_flag_status => {
                self.note_status(value);
                Ok(())
            }
            Phase::Poll => self.is_idle(value),
            Phase::PollFlags => self.flags_are(value),
            _ => Ok(()),
        }
    }

    /// Gives the job up and clears the latch, since the chip is idle.
    pub(super) fn fault<E>(&mut self, error: Error<E>) -> Error<E> {
        self.job = Job::None;
        let flags = self.chip.polls_flag_status;
        self.phase = if flags { Phase::ClearFlags } else { Phase::Disable };
        error
    }

    fn latch_is<E>(&mut self, goal: Goal, status: u8) -> Result<(), Error<E>> {
        if status & (opcode::BUSY | opcode::LATCH) == opcode::LATCH {
            self.status = status;
            return match goal {
                Goal::Mode => {
                    self.phase = Phase::Mode;
                    Ok(())
                }
                Goal::Command => self.check_protection(),
                Goal::CommandInMode => {
                    self.lost_latch = false;
                    self.phase = Phase::Begin;
                    Ok(())
                }
            };
        }
        if goal == Goal::CommandInMode && !self.mode_clears_latch {
            // Either the mode command clears the latch, or the chip lost its supply for a moment
            // and the mode with it. If it happens twice in a row, it is the command.
            if !core::mem::replace(&mut self.lost_latch, true) {
                self.phase = Phase::Enable(Goal::Command);
                return Ok(());
            }
            self.lost_latch = false;
            self.mode_clears_latch = true;
        }
        self.tries += 1;
        let pauses = self.policy.power_up_us / ENABLE_PAUSE_US;
        if self.tries >= TRIES.saturating_add(pauses) {
            let error = match status {
                0xFF => Error::BusStuck(0xFF),
                _ => Error::WriteEnableIgnored { status },
            };
            let is_busy = status & opcode::BUSY != 0;
            return Err(if is_busy { self.give_up_waiting(error) } else { self.fault(error) });
        }
        let is_early = self.tries < TRIES;
        self.phase = if is_early { Phase::Enable(goal) } else { Phase::PauseToEnable(goal) };
        Ok(())
    }

    fn mode_is<E>(&mut self, value: u8) -> Result<(), Error<E>> {
        let check = self.chip.mode_command.and_then(|mode| mode.check);
        if check.is_none_or(|check| value & check.mask == check.wanted) {
            self.mode_is_set();
            return Ok(());
        }
        self.is_mode_lost = true;
        self.tries += 1;
        if self.tries >= TRIES {
            return Err(self.fault(Error::AddressMode { value }));
        }
        self.set_mode(1);
        Ok(())
    }

    /// The status says idle, but the flag status decides.
    const fn note_status(&mut self, status: u8) {
        self.status = status;
        self.phase = Phase::PollFlags;
    }

    fn flags_are<E>(&mut self, flags: u8) -> Result<(), Error<E>> {
        if flags & opcode::FLAG_READY == 0 {
            return self.is_busy(flags);
        }
        if flags & opcode::FLAG_FAILURES == 0 {
            return self.is_idle(self.status);
        }
        let failed = self.fault(Error::Failed { work: self.work, flag_status: flags });
        // Failures stay until they are cleared. One from before the start is not reported.
        if self.work == Work::Start { Ok(()) } else { Err(failed) }
    }

    fn is_busy<E>(&mut self, status: u8) -> Result<(), Error<E>> {
        self.seen_busy = true;
        let before = self.last_status.replace(status);
        if (before, status) == (None, 0xFF) {
            // It takes two of them to tell a chip that is missing.
            self.phase = Phase::Poll;
            return Ok(());
        }
        if (before, status) == (Some(0xFF), 0xFF) && self.deadline.has_spent(STUCK_AFTER_US) {
            return Err(self.give_up_waiting(Error::BusStuck(0xFF)));
        }
        self.pause(status)
    }

    /// Ends the work only when two status reads in a row agree: a single one may be wrong.
    fn is_idle<E>(&mut self, status: u8) -> Result<(), Error<E>> {
        match self.last_status.replace(status) {
            Some(before) if before == status => self.work_ended(status),
            // Two different answers of a chip that is idle.
            Some(before) if before & opcode::BUSY == 0 => self.pause(status),
            _ => {
                self.phase = Phase::Poll;
                Ok(())
            }
        }
    }

    /// Looks again later, unless the time is over.
    fn pause<E>(&mut self, status: u8) -> Result<(), Error<E>> {
        if self.deadline.is_over() {
            return Err(self.give_up_waiting(Error::StillBusy { work: self.work, status }));
        }
        self.phase = Phase::Pause;
        Ok(())
    }

    /// Gives the job up while the chip is busy. The next call waits for it again.
    fn give_up_waiting<E>(&mut self, error: Error<E>) -> Error<E> {
        self.job = Job::None;
        self.phase = Phase::Poll;
        self.deadline = self.deadline.again();
        self.last_status = None;
        error
    }

    fn work_ended<E>(&mut self, status: u8) -> Result<(), Error<E>> {
        if !matches!(self.job, Job::Program { .. } | Job::Erase { .. }) {
            self.phase = Phase::Disable;
            return Ok(());
        }
        // Emulated chips may leave the latch set and take no time.
        if !self.policy.latch_stays_set {
            // The chip clears the latch when the work is done.
            if status & opcode::LATCH != 0 {
                return Err(self.fault(Error::CommandIgnored(self.work)));
            }
            if let Job::Erase { is_repeated, .. } = &mut self.job
                && !self.seen_busy
            {
                // Every erase takes many times longer than the first status read comes after it.
                if *is_repeated {
                    return Err(self.fault(Error::CommandIgnored(Work::Erase)));
                }
                *is_repeated = true;
                self.start_command();
                return Ok(());
            }
        }
        if self.policy.verify {
            self.start_comparing();
        } else {
            self.command_is_done();
        }
        Ok(())
    }
}
