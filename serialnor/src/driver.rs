//! The driver itself: start-up, waiting and reading.

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::SpiDevice;

use crate::addressing::Addressing;
use crate::bus::{Bus, Command};
use crate::chip::Chip;
use crate::error::{Error, Work};
use crate::id::{JedecId, stuck};
use crate::opcode;
use crate::options::Options;
use crate::sfdp::{Sfdp, SfdpError};

/// Longest time to leave deep power-down: 448 us is the largest value in `tests/sfdp` (s25fs256t,
/// s28hs02gt).
const WAKE_US: u32 = 500;
/// Longest time to enter deep power-down. Until then the chip ignores every command, even
/// the one to leave it. From memory of data sheets: 3 to 10 us.
const SLEEP_US: u32 = 30;
/// From a reset to the next command; data sheets of this class of chips say 35 us and more.
const RESET_US: u32 = 1_000;
/// A status that reads FFh for this long is not that of a chip: with every protection bit set a
/// chip cannot have been programming or erasing, and writing a register takes about 15 ms at most.
const STUCK_AFTER_US: u32 = 1_000_000;
/// Time between two status reads while the chip is busy with an unknown operation.
const START_POLL_US: u32 = 1_000;
/// How many times write enable is sent at most: a glitch may have cost the first one.
const WRITE_ENABLE_TRIES: u32 = 3;

/// A serial NOR chip on an SPI bus. See the [crate documentation](crate).
///
/// `ERASE` is the erase size of the flash traits, in bytes: the chip must have an erase command
/// that divides it. `WRITE` is the program unit: 1 on plain chips, 16 or what the data sheet says
/// on chips with on-die error correction, where a unit must not be programmed twice.
#[derive(Debug)]
pub struct SerialNor<SPI, D, const ERASE: usize = 4096, const WRITE: usize = 1> {
    pub(crate) bus: Bus<SPI, D>,
    pub(crate) options: Options,
    id: Option<JedecId>,
    pub(crate) chip: Chip,
    /// A program, erase or reset that was started and not yet seen to end, and its timeout in
    /// microseconds.
    pub(crate) pending: Option<(Work, u32)>,
    asleep: bool,
    /// The chip was reset, by its power supply or by command, and its address mode is not set yet.
    is_mode_lost: bool,
}

impl<SPI: SpiDevice, D: DelayNs, const ERASE: usize, const WRITE: usize>
    SerialNor<SPI, D, ERASE, WRITE>
{
    /// Wakes the chip, waits until it is not busy, identifies it and reads its tables. Programs and
    /// erases nothing.
    ///
    /// Takes half a millisecond for waking, plus about 200 bytes on the bus. After a reset of the
    /// microcontroller alone the chip may be in the middle of a program or erase. The driver then
    /// waits for it, up to the time of [`Options::with_start_timeout_us`].
    ///
    /// # Errors
    /// Any [`Error`]. The chip is as it was before, except that it is awake.
    pub fn new(spi: SPI, delay: D, options: Options) -> Result<Self, Error<SPI::Error>> {
        const {
            assert!(ERASE > 0 && WRITE > 0 && ERASE.is_multiple_of(WRITE));
            assert!(WRITE.is_power_of_two() && WRITE <= 16, "larger units need larger transfers");
            assert!(ERASE as u64 <= u32::MAX as u64);
        }
        let mut bus = Bus { spi, delay };
        // The last command before a reset of the microcontroller may have been deep power-down.
        bus.delay.delay_us(SLEEP_US);
        bus.send(Command::plain(opcode::LEAVE_POWER_DOWN)).map_err(Error::Bus)?;
        bus.delay.delay_us(WAKE_US);
        wait_at_start(&mut bus, options.start_timeout_us)?;
        let id = identify(&mut bus, options.start_timeout_us)?;
        let tables = Sfdp::read(|at, out| {
            bus.receive(Command::with_three(opcode::READ_SFDP, at).with_dummy(), out)
        });
        let has_no_tables = matches!(tables, Err(SfdpError::NoSignature));
        if let Some(id) = id.filter(|id| has_no_tables && !id.has_valid_parity()) {
            return Err(Error::BadId(id));
        }
        let chip = Chip::new(tables, &options.data_sheet, ERASE as u32, WRITE as u32)?;
        if options.fast_read && chip.fast_read_opcode.is_none() {
            return Err(Error::NotSupported);
        }
        let mut driver =
            Self { bus, options, id, chip, pending: None, asleep: false, is_mode_lost: true };
        if driver.chip.polls_flag_status {
            driver.clear_old_failures()?;
        }
        if options.reset {
            driver.reset()?;
        } else {
            driver.be_ready()?;
        }
        Ok(driver)
    }

    /// Failures in the flag status stay until they are cleared. What failed before this driver
    /// started is not reported.
    fn clear_old_failures(&mut self) -> Result<(), Error<SPI::Error>> {
        self.pending = Some((Work::Start, self.options.start_timeout_us));
        match self.wait(START_POLL_US) {
            Err(Error::Failed { .. }) => Ok(()),
            other => other.map(|_| ()),
        }
    }

    /// The chip's answer to "read ID", for logs.
    pub const fn id(&self) -> Option<JedecId> {
        self.id
    }

    /// The parameters in use, from the tables and the data sheet.
    pub const fn chip(&self) -> &Chip {
        &self.chip
    }

    /// Returns the bus and the delay.
    pub fn release(self) -> (SPI, D) {
        (self.bus.spi, self.bus.delay)
    }

    /// Resets the chip with commands 66h and 99h as soon as it is idle: sent to a busy chip they
    /// would tear the program or erase in progress, as a power cut does. The reset ends all
    /// volatile modes; the driver then sets the address mode it needs again.
    ///
    /// # Errors
    /// [`Error::NotSupported`] if the tables do not list these commands; otherwise the errors of
    /// waiting: [`Error::Bus`], [`Error::StillBusy`], [`Error::Failed`].
    pub fn reset(&mut self) -> Result<(), Error<SPI::Error>> {
        if !self.chip.has_reset {
            return Err(Error::NotSupported);
        }
        self.be_idle()?;
        self.bus.send(Command::plain(opcode::RESET_ENABLE)).map_err(Error::Bus)?;
        self.pending = Some((Work::Reset, crate::timeout::LEAST_PROGRAM_TIMEOUT_US));
        self.is_mode_lost = true;
        let sent = self.bus.send(Command::plain(opcode::RESET)).map_err(Error::Bus);
        // Also if the bus failed: the chip may have received the command.
        self.bus.delay.delay_us(RESET_US);
        sent?;
        self.be_ready()
    }

    /// Puts the chip into deep power-down as soon as it is idle. The next call wakes it.
    ///
    /// # Errors
    /// [`Error::NotSupported`] if the tables do not list deep power-down; otherwise the errors of
    /// waiting: [`Error::Bus`], [`Error::StillBusy`], [`Error::Failed`].
    pub fn power_down(&mut self) -> Result<(), Error<SPI::Error>> {
        let power_down = self.chip.power_down.ok_or(Error::NotSupported)?;
        self.be_ready()?;
        self.asleep = true;
        let sent = self.bus.send(Command::plain(power_down.enter_opcode)).map_err(Error::Bus);
        self.bus.delay.delay_us(SLEEP_US);
        sent
    }

    /// Like [`Self::be_idle`], and sets the address mode if it was lost.
    pub(crate) fn be_ready(&mut self) -> Result<(), Error<SPI::Error>> {
        self.be_idle()?;
        if self.is_mode_lost {
            self.set_address_mode()?;
            self.is_mode_lost = false;
        }
        Ok(())
    }

    /// Wakes the chip and waits until the pending work is complete.
    fn be_idle(&mut self) -> Result<(), Error<SPI::Error>> {
        if self.asleep {
            let listed = self.chip.power_down.map(|power_down| power_down.exit_opcode);
            // If the tables say 00h, any command wakes the chip.
            let exit = listed.filter(|exit| *exit != 0).unwrap_or(opcode::LEAVE_POWER_DOWN);
            self.bus.send(Command::plain(exit)).map_err(Error::Bus)?;
            let stated =
                self.chip.power_down.map_or(0, |power_down| power_down.exit_delay_ns / 1_000);
            self.bus.delay.delay_us(WAKE_US.max(stated.saturating_add(1)));
            self.asleep = false;
        }
        if self.pending.is_some() {
            self.wait(START_POLL_US)?;
        }
        Ok(())
    }

    /// Waits for the pending work and returns the status. Reads the status every `poll_us`
    /// microseconds, each time in a separate transaction, so that others can use the bus in
    /// between.
    fn wait(&mut self, poll_us: u32) -> Result<u8, Error<SPI::Error>> {
        let (work, longest) = self.pending.unwrap_or((Work::Start, 0));
        let mut waited: u32 = 0;
        loop {
            let mut status = self.status()?;
            let is_ready = status & opcode::BUSY == 0;
            if is_ready && !self.chip.polls_flag_status {
                self.pending = None;
                return Ok(status);
            }
            if is_ready {
                let flags = self.flag_status()?;
                if flags & opcode::FLAG_READY != 0 {
                    self.pending = None;
                    if flags & opcode::FLAG_FAILURES != 0 {
                        let clear = Command::plain(opcode::CLEAR_FLAG_STATUS);
                        self.bus.send(clear).map_err(Error::Bus)?;
                        self.disable_write()?;
                        return Err(Error::Failed { work, flag_status: flags });
                    }
                    return Ok(status);
                }
                status = flags;
            }
            if waited >= longest {
                return Err(Error::StillBusy { work, status });
            }
            self.bus.delay.delay_us(poll_us);
            waited = waited.saturating_add(poll_us);
        }
    }

    fn status(&mut self) -> Result<u8, Error<SPI::Error>> {
        self.bus.register(opcode::READ_STATUS).map_err(Error::Bus)
    }

    fn flag_status(&mut self) -> Result<u8, Error<SPI::Error>> {
        self.bus.register(opcode::READ_FLAG_STATUS).map_err(Error::Bus)
    }

    fn disable_write(&mut self) -> Result<(), Error<SPI::Error>> {
        self.bus.send(Command::plain(opcode::WRITE_DISABLE)).map_err(Error::Bus)
    }

    /// Sets the write enable latch, and checks that it is set and that no block is protected.
    pub(crate) fn enable_write(&mut self) -> Result<(), Error<SPI::Error>> {
        let status = self.set_latch()?;
        if status & self.chip.protection_mask != 0 {
            self.disable_write()?;
            return Err(Error::Protected { status });
        }
        Ok(())
    }

    /// Sets the write enable latch, checks that it is set and returns the status.
    fn set_latch(&mut self) -> Result<u8, Error<SPI::Error>> {
        let mut status = 0;
        for _ in 0..WRITE_ENABLE_TRIES {
            self.bus.send(Command::plain(opcode::WRITE_ENABLE)).map_err(Error::Bus)?;
            status = self.status()?;
            if status & (opcode::BUSY | opcode::LATCH) == opcode::LATCH {
                return Ok(status);
            }
        }
        Err(match stuck(&[status]) {
            Some(0xFF) => Error::BusStuck(0xFF),
            _ => Error::WriteEnableIgnored { status },
        })
    }

    /// Waits for the program or erase just sent, and checks that the chip did it.
    pub(crate) fn complete(&mut self, poll_us: u32) -> Result<(), Error<SPI::Error>> {
        let work = self.pending.map_or(Work::Start, |(work, _)| work);
        let status = self.wait(poll_us)?;
        if status & opcode::LATCH == 0 {
            return Ok(());
        }
        // The chip clears the latch when the work is done: if it is still set, nothing was done.
        self.disable_write()?;
        if self.options.latch_stays_set { Ok(()) } else { Err(Error::CommandIgnored(work)) }
    }

    fn set_address_mode(&mut self) -> Result<(), Error<SPI::Error>> {
        let Some((command, enable)) = self.chip.mode_command else { return Ok(()) };
        if enable {
            self.set_latch()?;
        }
        self.bus.send(Command::plain(command)).map_err(Error::Bus)?;
        if enable { self.disable_write() } else { Ok(()) }
    }

    pub(crate) fn command(&self, opcode: u8, at: u32) -> Command {
        match self.chip.addressing {
            Addressing::Three => Command::with_three(opcode, at),
            _ => Command::with_four(opcode, at),
        }
    }

    /// The command that reads from address `at`.
    fn read_command(&self, at: u32) -> Command {
        let fast = self.chip.fast_read_opcode.filter(|fast| {
            // Some chips have only the fast read command.
            self.options.fast_read || *fast == self.chip.read_opcode
        });
        match fast {
            Some(fast) => self.command(fast, at).with_dummy(),
            None => self.command(self.chip.read_opcode, at),
        }
    }

    pub(crate) fn check(&self, at: u32, len: u64) -> Result<(), Error<SPI::Error>> {
        match u64::from(at).checked_add(len) {
            Some(end) if end <= self.chip.capacity => Ok(()),
            _ => Err(Error::OutOfBounds),
        }
    }

    pub(crate) fn read_bytes(&mut self, at: u32, out: &mut [u8]) -> Result<(), Error<SPI::Error>> {
        self.check(at, out.len() as u64)?;
        self.be_ready()?;
        let room = self.options.transfer_bytes.saturating_sub(self.read_command(at).len()).max(1);
        let mut at = at;
        for piece in out.chunks_mut(room) {
            let command = self.read_command(at);
            self.bus.receive(command, piece).map_err(Error::Bus)?;
            at = at.wrapping_add(piece.len() as u32);
        }
        Ok(())
    }
}

/// Reads the chip's ID. A chip that shows only in its flag status that it is busy does not answer
/// yet.
fn identify<SPI: SpiDevice, D: DelayNs>(
    bus: &mut Bus<SPI, D>,
    timeout_us: u32,
) -> Result<Option<JedecId>, Error<SPI::Error>> {
    let mut waited: u32 = 0;
    loop {
        let mut answer = [0; JedecId::ANSWER_BYTES];
        bus.receive(Command::plain(opcode::READ_ID), &mut answer).map_err(Error::Bus)?;
        let Some(level) = stuck(&answer) else { return Ok(JedecId::parse(&answer)) };
        let flags = bus.register(opcode::READ_FLAG_STATUS).map_err(Error::Bus)?;
        if flags == level || flags & opcode::FLAG_READY != 0 {
            return Err(Error::BusStuck(level));
        }
        if waited >= timeout_us {
            return Err(Error::StillBusy { work: Work::Start, status: flags });
        }
        bus.delay.delay_us(START_POLL_US);
        waited = waited.saturating_add(START_POLL_US);
    }
}

/// Waits until a chip not yet identified is not busy. A busy chip answers nothing but status reads.
fn wait_at_start<SPI: SpiDevice, D: DelayNs>(
    bus: &mut Bus<SPI, D>,
    timeout_us: u32,
) -> Result<(), Error<SPI::Error>> {
    let mut waited: u32 = 0;
    // How long the status has read like a bus without a chip.
    let mut stuck_for: u32 = 0;
    loop {
        let status = bus.register(opcode::READ_STATUS).map_err(Error::Bus)?;
        if status & opcode::BUSY == 0 {
            return Ok(());
        }
        stuck_for = if status == 0xFF { stuck_for.saturating_add(START_POLL_US) } else { 0 };
        if stuck_for > STUCK_AFTER_US.min(timeout_us) {
            return Err(Error::BusStuck(0xFF));
        }
        if waited >= timeout_us {
            return Err(Error::StillBusy { work: Work::Start, status });
        }
        bus.delay.delay_us(START_POLL_US);
        waited = waited.saturating_add(START_POLL_US);
    }
}
