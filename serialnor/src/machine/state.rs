//! What the machine knows, and its steps.

use crate::addressing::Addressing;
use crate::bus::Command;
use crate::checksum::Checksum;
use crate::chip::Chip;
use crate::deadline::Deadline;
use crate::error::Work;
use crate::opcode;
use crate::options::Policy;

use super::job::Job;

/// Longest time to leave deep power-down: 448 us is the largest value in `tests/sfdp` (s25fs256t,
/// s28hs02gt).
const WAKE_US: u32 = 500;
/// Time between two status reads while the chip is busy with an unknown operation.
pub(super) const START_POLL_US: u32 = 1_000;
/// Time between two attempts at write enable while the chip may inhibit writing.
pub(super) const ENABLE_PAUSE_US: u32 = 1_000;

/// What to do next on the bus.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Step {
    /// Nothing: the chip is idle, its latch is clear, and no job is left.
    Done,
    /// Send the command, which has no address.
    Send(u8),
    /// Send the command.
    SendAt(Command),
    /// Send the command and the data of the job.
    SendData(Command),
    /// Read one byte with the command, which has no address, and give it to [`Machine::answer`].
    Ask(u8),
    /// The same with an address.
    AskAt(Command),
    /// Read this many bytes with the command, and give them to [`Machine::compare`].
    Compare(Command, usize),
    /// Wait for this many microseconds.
    Wait(u32),
    /// The chip is busy: look again after this many microseconds, and tell [`Machine::waited`].
    Pause(u32),
}

/// What write enable is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Goal {
    /// The mode command alone.
    Mode,
    /// The command of the job, before the mode command.
    Command,
    /// The same after the mode command, which may have cleared the latch.
    CommandInMode,
}

/// Where the machine is. Each state names the next step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Phase {
    Rest,
    /// In deep power-down, or perhaps.
    Asleep,
    /// The command to leave it was sent once. It is sent again, since a chip that missed it gives
    /// no sign of that where its line floats low.
    Waking,
    Awake,
    Enable(Goal),
    CheckLatch(Goal),
    PauseToEnable(Goal),
    Mode,
    CheckMode,
    CheckLock,
    Begin,
    Poll,
    PollFlags,
    Pause,
    Compare,
    ClearFlags,
    Disable,
}

/// The state of the chip as far as the driver knows it, and the job in hand.
#[derive(Debug)]
pub(crate) struct Machine {
    pub(crate) chip: Chip,
    pub(crate) policy: Policy,
    pub(super) phase: Phase,
    pub(super) job: Job,
    /// What is in progress in the chip, or may be.
    pub(super) work: Work,
    pub(super) deadline: Deadline,
    pub(super) poll_us: u32,
    /// Whether a status read since the command showed that the chip is busy.
    pub(super) seen_busy: bool,
    /// The status that was read last.
    pub(super) last_status: Option<u8>,
    /// The status while another register is read.
    pub(super) status: u8,
    /// Attempts at what the phase is about.
    pub(super) tries: u32,
    /// Mode commands still to send before the mode is checked.
    pub(super) modes_left: u32,
    /// The chip may not be in the address mode that the driver uses.
    pub(super) is_mode_lost: bool,
    /// The latch was clear after the last mode command before a program or erase.
    pub(super) lost_latch: bool,
    /// The mode command clears the latch.
    pub(super) mode_clears_latch: bool,
    /// The mode is set for reading back, and not for the command.
    pub(super) is_comparing: bool,
    /// How far the bytes of the command are compared, or the locks of its blocks are read.
    pub(super) offset: u32,
    /// Of the bytes read back so far.
    pub(super) checksum: Checksum,
}

impl Machine {
    /// Before the chip is known. The last command before a reset of the microcontroller may have
    /// been deep power-down.
    pub(crate) fn new(policy: Policy) -> Self {
        Self {
            chip: Chip::UNKNOWN,
            policy,
            phase: Phase::Asleep,
            job: Job::None,
            work: Work::Start,
            deadline: Deadline::new(policy.start_timeout_us),
            poll_us: START_POLL_US,
            seen_busy: false,
            last_status: None,
            status: 0,
            tries: 0,
            modes_left: 0,
            is_mode_lost: true,
            lost_latch: false,
            mode_clears_latch: false,
            is_comparing: false,
            offset: 0,
            checksum: Checksum::new(),
        }
    }

    /// The next step.
    pub(crate) fn step(&mut self) -> Step {
        match self.phase {
            Phase::Rest => Step::Done,
            Phase::Asleep | Phase::Waking => {
                let is_first = self.is_asleep();
                self.phase = if is_first { Phase::Waking } else { Phase::Awake };
                Step::Send(self.wake_opcode())
            }
            Phase::Awake => {
                self.wait_for(Work::Start, self.policy.start_timeout_us, START_POLL_US);
                let stated = self.chip.power_down.map_or(0, |down| down.exit_delay_ns / 1_000);
                Step::Wait(WAKE_US.max(stated.saturating_add(1)))
            }
            Phase::Enable(goal) => {
                self.phase = Phase::CheckLatch(goal);
                Step::Send(opcode::WRITE_ENABLE)
            }
            Phase::CheckLatch(_) | Phase::Poll => Step::Ask(opcode::READ_STATUS),
            Phase::PauseToEnable(goal) => {
                self.phase = Phase::Enable(goal);
                Step::Wait(ENABLE_PAUSE_US)
            }
            Phase::Mode => self.send_mode(),
            Phase::CheckMode => {
                let check = self.chip.mode_command.and_then(|mode| mode.check);
                Step::Ask(check.map_or(opcode::READ_STATUS, |check| check.opcode))
            }
            Phase::CheckLock => self.ask_lock(),
            Phase::Begin => self.send_job(),
            Phase::PollFlags => Step::Ask(opcode::READ_FLAG_STATUS),
            Phase::Pause => {
                self.phase = Phase::Poll;
                Step::Pause(self.poll_us)
            }
            Phase::Compare => self.read_back(),
            Phase::ClearFlags => {
                self.phase = Phase::Disable;
                Step::Send(opcode::CLEAR_FLAG_STATUS)
            }
            Phase::Disable => {
                self.phase = Phase::Rest;
                Step::Send(opcode::WRITE_DISABLE)
            }
        }
    }

    /// Notes that a pause was made.
    pub(crate) const fn waited(&mut self, us: u32) {
        self.deadline.spend(us);
    }

    /// Notes that the bus failed in the last step. The chip may have received the command: the
    /// machine waits for it to be idle and clears its latch before anything else.
    pub(crate) fn bus_failed(&mut self) {
        self.job = Job::None;
        self.phase = match self.phase {
            Phase::Asleep | Phase::Waking | Phase::Awake => Phase::Asleep,
            _ => Phase::Poll,
        };
        self.deadline = self.deadline.again();
        self.last_status = None;
    }

    /// Whether the command of the job was sent.
    pub(crate) const fn has_begun(&self) -> bool {
        !matches!(self.job, Job::None | Job::Mode) && matches!(self.phase, Phase::Poll)
    }

    /// Whether nothing is left to do.
    pub(crate) const fn is_at_rest(&self) -> bool {
        matches!(self.phase, Phase::Rest)
    }

    /// Whether the chip was put into deep power-down.
    pub(crate) const fn is_asleep(&self) -> bool {
        matches!(self.phase, Phase::Asleep)
    }

    /// What is in progress in the chip, or may be.
    pub(crate) const fn pending(&self) -> Option<Work> {
        if matches!(self.phase, Phase::Rest | Phase::Asleep) { None } else { Some(self.work) }
    }

    /// Whether a job is in hand.
    pub(super) const fn is_working(&self) -> bool {
        !matches!(self.job, Job::None)
    }

    /// Begins to set the address mode if the chip may not be in it, or, `before_use`, if it might
    /// have fallen back. Returns whether that is needed.
    pub(crate) fn begin_mode(&mut self, before_use: bool) -> bool {
        let is_needed = self
            .chip
            .mode_command
            .is_some_and(|mode| self.is_mode_lost || before_use && mode.before_each_use);
        if is_needed {
            self.job = Job::Mode;
            self.tries = 0;
            // At first twice, since a command that got lost leaves no trace on most chips.
            self.set_mode(if self.is_mode_lost { 2 } else { 1 });
        }
        is_needed
    }

    /// Notes that deep power-down is about to be sent.
    pub(crate) const fn fall_asleep(&mut self) {
        self.phase = Phase::Asleep;
    }

    /// Notes that the chip may be in another address mode.
    pub(crate) const fn distrust_mode(&mut self) {
        self.is_mode_lost = true;
    }

    /// Notes that something is about to begin which the driver waits for without judging it, and
    /// after which the chip may be in another address mode.
    pub(crate) fn expect(&mut self, work: Work, longest_us: u32) {
        self.job = Job::None;
        self.is_mode_lost = true;
        self.wait_for(work, longest_us, START_POLL_US);
    }

    /// The command that reads from address `at`.
    pub(crate) fn read_command(&self, at: u32) -> Command {
        let command = self.command(self.chip.read_opcode, at);
        if self.chip.read_has_dummy { command.with_dummy() } else { command }
    }

    /// A command with an address.
    pub(crate) fn command(&self, opcode: u8, at: u32) -> Command {
        match self.chip.addressing {
            Addressing::Three => Command::with_three(opcode, at),
            _ => Command::with_four(opcode, at),
        }
    }

    /// Most bytes that one transaction can read.
    pub(crate) fn room_to_read(&self) -> usize {
        self.policy.transfer_bytes.saturating_sub(self.read_command(0).len()).max(1)
    }

    fn wake_opcode(&self) -> u8 {
        let listed = self.chip.power_down.map(|power_down| power_down.exit_opcode);
        // If the tables say 00h, any command wakes the chip.
        listed.filter(|exit| *exit != 0).unwrap_or(opcode::LEAVE_POWER_DOWN)
    }

    /// Waits for the chip from now on.
    #[inline(never)]
    pub(super) fn wait_for(&mut self, work: Work, longest_us: u32, poll_us: u32) {
        self.phase = Phase::Poll;
        self.work = work;
        self.deadline = Deadline::new(longest_us);
        self.poll_us = poll_us;
        self.seen_busy = false;
        self.last_status = None;
    }

    /// Sends the mode command `times` times, and then checks the mode if the chip shows it.
    pub(super) fn set_mode(&mut self, times: u32) {
        self.modes_left = times;
        let enables = self.chip.mode_command.is_some_and(|mode| mode.write_enable);
        self.phase = if enables { Phase::Enable(Goal::Mode) } else { Phase::Mode };
    }

    fn send_mode(&mut self) -> Step {
        let Some(mode) = self.chip.mode_command else {
            // Not reached: the phase needs a mode command.
            self.phase = Phase::Rest;
            return Step::Done;
        };
        match self.modes_left.saturating_sub(1) {
            0 if mode.check.is_some() && !self.policy.latch_stays_set => {
                self.phase = Phase::CheckMode;
            }
            0 => self.mode_is_set(),
            left => self.set_mode(left),
        }
        Step::Send(mode.opcode)
    }

    pub(super) fn mode_is_set(&mut self) {
        self.tries = 0;
        if matches!(self.job, Job::Mode) {
            self.is_mode_lost = false;
            self.job = Job::None;
            let enables = self.chip.mode_command.is_some_and(|mode| mode.write_enable);
            self.phase = if enables { Phase::Disable } else { Phase::Rest };
        } else if self.is_comparing {
            self.phase = Phase::Compare;
        } else {
            self.phase = Phase::CheckLatch(Goal::CommandInMode);
        }
    }
}
