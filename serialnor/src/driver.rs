//! The driver itself: start-up, reset, power-down and reading.

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::OutputPin;
use embedded_hal::spi::SpiDevice;

use crate::bus::{Bus, Command};
use crate::chip::Chip;
use crate::error::{Error, Work};
use crate::id::JedecId;
use crate::identify::{identify, read_tables};
use crate::machine::Machine;
use crate::not_started::NotStarted;
use crate::opcode;
use crate::options::Options;
use crate::reset_pin::pulse_reset;
use crate::sfdp::SfdpError;
use crate::until::Until;

/// Longest time to enter deep power-down. Until then the chip ignores every command, even
/// the one to leave it. From memory of data sheets: 3 to 10 us.
const SLEEP_US: u32 = 30;
/// From a reset to the next command; data sheets of this class of chips say 35 us and more.
const RESET_US: u32 = 1_000;

/// A serial NOR chip on an SPI bus. See the [crate documentation](crate).
///
/// `ERASE` is the erase size of the flash traits, in bytes: the chip must have an erase command
/// that divides it. `WRITE` is the program unit: 1 on plain chips, 16 or what the data sheet says
/// on chips with on-die error correction, where a unit must not be programmed twice.
#[derive(Debug)]
pub struct SerialNor<SPI, D, const ERASE: usize = 4096, const WRITE: usize = 1> {
    pub(crate) bus: Bus<SPI, D>,
    pub(crate) machine: Machine,
    id: Option<JedecId>,
}

/// What [`SerialNor::release`] gives back.
#[derive(Debug)]
#[non_exhaustive]
pub struct Released<SPI, D> {
    /// The bus.
    pub spi: SPI,
    /// The delay.
    pub delay: D,
    /// What the chip may still be doing: read its status (05h) until bit 0 is clear before anything
    /// else. The write enable latch may be set then.
    pub work: Option<Work>,
    /// Whether the chip is in deep power-down.
    pub is_asleep: bool,
}

impl<SPI: SpiDevice, D: DelayNs, const ERASE: usize, const WRITE: usize>
    SerialNor<SPI, D, ERASE, WRITE>
{
    /// Wakes the chip, waits until it is not busy, identifies it and reads its tables. Programs and
    /// erases nothing.
    ///
    /// Takes half a millisecond for waking, plus about 300 bytes on the bus. After a reset of the
    /// microcontroller alone the chip may be in the middle of a program or erase. The driver then
    /// waits for it, up to the time of [`Options::with_start_timeout_us`].
    ///
    /// # Errors
    /// [`NotStarted`] with any [`Error`]; it hands the bus and the delay back, and the chip's ID if
    /// it was read. `?` turns it into that [`Error`]. The chip is as it was before, except that it
    /// is awake.
    pub fn new(spi: SPI, delay: D, options: Options) -> Result<Self, NotStarted<SPI, D>> {
        const {
            assert!(ERASE > 0 && WRITE > 0 && ERASE.is_multiple_of(WRITE));
            assert!(WRITE.is_power_of_two() && WRITE <= 16, "larger units need larger transfers");
            assert!(ERASE as u64 <= u32::MAX as u64);
        }
        let machine = Machine::new(options.policy);
        let mut driver = Self { bus: Bus { spi, delay }, machine, id: None };
        match driver.start(&options) {
            Ok(()) => Ok(driver),
            Err(error) => {
                let Self { bus: Bus { spi, delay }, id, .. } = driver;
                Err(NotStarted { error, spi, delay, id })
            }
        }
    }

    fn start(&mut self, options: &Options) -> Result<(), Error<SPI::Error>> {
        let policy = &options.policy;
        if policy.mode_exit {
            // The mode bits of continuous reading follow the address: after 8 clocks on four lines
            // with three address bytes, after at most 20 on two lines with four.
            for len in [1, 3] {
                self.bus.send(Command::ones(len)).map_err(Error::Bus)?;
            }
        }
        // The last command before a reset of the microcontroller may have been deep power-down.
        self.bus.delay.delay_us(SLEEP_US);
        self.drive(&[], Until::Done)?;
        self.id = identify(&mut self.bus, policy)?;
        let tables = read_tables(&mut self.bus, policy.transfer_bytes);
        let has_no_tables = matches!(tables, Err(SfdpError::NoSignature));
        if let Some(id) = self.id.filter(|id| has_no_tables && !id.has_valid_parity()) {
            return Err(Error::BadId(id));
        }
        let sheet = options.sheet_of(self.id);
        let units = (ERASE as u32, WRITE as u32);
        self.machine.chip.learn(tables, sheet, units, policy.fast_read)?;
        // Once more, since only now it is known whether the flag status must say ready too.
        self.machine.expect(Work::Start, policy.start_timeout_us);
        if policy.reset { self.reset() } else { self.be_ready() }
    }

    /// The chip's answer to "read ID", for logs.
    pub const fn id(&self) -> Option<JedecId> {
        self.id
    }

    /// The parameters in use, from the tables and the data sheet.
    pub const fn chip(&self) -> &Chip {
        &self.machine.chip
    }

    /// Gives the bus and the delay back, together with what the chip may still be doing. Sends
    /// nothing; call [`Self::finish`] before to hand over a chip that is awake and idle.
    pub fn release(self) -> Released<SPI, D> {
        let Self { bus: Bus { spi, delay }, machine, .. } = self;
        let (work, is_asleep) = (machine.pending(), machine.is_asleep());
        Released { spi, delay, work, is_asleep }
    }

    /// Resets the chip with commands 66h and 99h as soon as it is idle: sent to a busy chip they
    /// would tear the program or erase in progress, as a power cut does. The reset ends all
    /// volatile modes; the driver then sets the address mode it needs again.
    ///
    /// # Errors
    /// [`Error::NotSupported`] if the tables do not list these commands; otherwise the errors of
    /// waiting: [`Error::Bus`], [`Error::StillBusy`], [`Error::Failed`].
    pub fn reset(&mut self) -> Result<(), Error<SPI::Error>> {
        if !self.machine.chip.has_reset {
            return Err(Error::NotSupported);
        }
        self.drive(&[], Until::Done)?;
        self.bus.send(Command::plain(opcode::RESET_ENABLE)).map_err(Error::Bus)?;
        self.machine.expect(Work::Reset, crate::timeout::LEAST_PROGRAM_TIMEOUT_US);
        let sent = self.bus.send(Command::plain(opcode::RESET)).map_err(Error::Bus);
        // Also if the bus failed: the chip may have received the command.
        self.bus.delay.delay_us(RESET_US);
        sent?;
        self.be_ready()
    }

    /// Resets the chip by its reset pin, which is low when it acts, whatever state the chip is in.
    /// Helps where nothing else does: after [`Error::StillBusy`], or if the chip takes commands
    /// over more data lines. Takes 41 ms.
    ///
    /// Caution: a program or erase in progress is torn as by a power cut.
    ///
    /// # Errors
    /// [`Error::Pin`] if the pin failed; otherwise the errors of waiting: [`Error::Bus`],
    /// [`Error::StillBusy`].
    pub fn reset_by_pin(&mut self, pin: &mut impl OutputPin) -> Result<(), Error<SPI::Error>> {
        self.machine.expect(Work::Reset, crate::timeout::LEAST_PROGRAM_TIMEOUT_US);
        pulse_reset(pin, &mut self.bus.delay).map_err(|_| Error::Pin)?;
        self.be_ready()
    }

    /// Puts the chip into deep power-down as soon as it is idle. The next call wakes it.
    ///
    /// # Errors
    /// [`Error::NotSupported`] if the tables do not list deep power-down; otherwise the errors of
    /// waiting: [`Error::Bus`], [`Error::StillBusy`], [`Error::Failed`].
    pub fn power_down(&mut self) -> Result<(), Error<SPI::Error>> {
        let power_down = self.machine.chip.power_down.ok_or(Error::NotSupported)?;
        self.be_ready()?;
        self.machine.fall_asleep();
        let sent = self.bus.send(Command::plain(power_down.enter_opcode)).map_err(Error::Bus);
        self.bus.delay.delay_us(SLEEP_US);
        sent
    }

    pub(crate) fn check(&self, at: u32, len: u64) -> Result<(), Error<SPI::Error>> {
        match u64::from(at).checked_add(len) {
            Some(end) if end <= self.machine.chip.capacity => Ok(()),
            _ => Err(Error::OutOfBounds),
        }
    }

    pub(crate) fn read_bytes(&mut self, at: u32, out: &mut [u8]) -> Result<(), Error<SPI::Error>> {
        self.check(at, out.len() as u64)?;
        self.be_ready_to_read()?;
        let room = self.machine.room_to_read();
        let mut at = at;
        for piece in out.chunks_mut(room) {
            let command = self.machine.read_command(at);
            self.bus.receive(command, piece).map_err(Error::Bus)?;
            at = at.wrapping_add(piece.len() as u32);
        }
        Ok(())
    }
}
