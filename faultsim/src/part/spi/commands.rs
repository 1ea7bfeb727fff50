//! How the chip interprets the bytes between two edges of chip select.

use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;

use super::bus_error::BusError;
use super::profile::Profile;
use super::work::{cut, finish, is_cut_within, passed_on, steps};
use crate::part::{Busy, Chip, ContractViolation, Level, Tear, Work};

/// The time of one byte: 8 clocks at 50 MHz.
const BYTE_NS: u64 = 160;
const BUSY: u8 = 1;
const LATCH: u8 = 2;
/// The time of a status register write: IS25LP/WP128F, 2 ms typically.
const STATUS_WRITE_NS: u64 = 2_000_000;
/// Bits 2 to 6 of the status register, any of which protects all blocks.
const PROTECTION: u8 = 0b0111_1100;
/// Not a command of any chip here.
const NO_COMMAND: u8 = 0x00;
/// The time of a reset that tears nothing.
const RESET_NS: u64 = 35_000;
/// The time to enter deep power-down, from memory of data sheets. Until it is over, not even the
/// command to leave deep power-down is heard.
const SLEEP_NS: u64 = 10_000;

/// A chip and its kind, as one transaction uses them.
pub(super) struct Commands<'bus> {
    pub(super) chip: &'bus mut Chip,
    pub(super) profile: &'bus Profile,
}

impl Commands<'_> {
    /// Clocks bytes in. `sent` has the bytes that the transaction sent before.
    pub(super) fn write(&mut self, sent: &mut Vec<u8>, bytes: &[u8]) -> Result<(), BusError> {
        let (due, arrive) = self.room(bytes.len());
        sent.extend(&bytes[..arrive]);
        self.go_on(sent, due, arrive)
    }

    /// Clocks bytes out while zeros are clocked in.
    pub(super) fn read(&mut self, sent: &mut Vec<u8>, out: &mut [u8]) -> Result<(), BusError> {
        let (due, arrive) = self.room(out.len());
        // The answer reflects the state of the chip when the first byte is asked for.
        self.answer(sent, out)?;
        sent.resize(sent.len() + arrive, 0);
        self.go_on(sent, due, arrive)
    }

    /// Exchanges one byte in each direction at once.
    pub(super) fn exchange(&mut self, sent: &mut Vec<u8>, byte: u8) -> Result<u8, BusError> {
        let mut answer = [0];
        self.answer(sent, &mut answer)?;
        self.write(sent, &[byte])?;
        let [answer] = answer;
        Ok(answer)
    }

    /// Whether a cut falls within the next `len` bytes, and how many of them arrive.
    fn room(&self, len: usize) -> (bool, usize) {
        let due = is_cut_within(self.chip, len as u64);
        (due.is_some(), due.map_or(len, |left| left as usize))
    }

    fn go_on(&mut self, sent: &mut Vec<u8>, is_cut: bool, arrive: usize) -> Result<(), BusError> {
        self.chip.volatile_mut().moments += arrive as u64;
        self.pass(arrive as u64 * BYTE_NS)?;
        if !is_cut {
            return Ok(());
        }
        let Err(ended) = cut(self.chip) else {
            // The chip has lost the start of this frame.
            sent.clear();
            sent.push(NO_COMMAND);
            return Ok(());
        };
        if !self.chip.is_reset() {
            return Err(ended);
        }
        // A reset of the microcontroller releases chip select, and the chip executes what it has
        // received.
        self.execute(sent);
        Err(ended)
    }

    /// Lets time pass, and completes the work whose busy time is over.
    pub(super) fn pass(&mut self, time_ns: u64) -> Result<(), BusError> {
        self.chip.volatile_mut().now_ns += time_ns;
        finish(self.chip)
    }

    /// Releases chip select.
    pub(super) fn deselect(&mut self, sent: &[u8]) -> Result<(), BusError> {
        self.execute(sent);
        Ok(())
    }

    /// The number of address bytes that a command takes.
    fn address_bytes(&self, opcode: u8) -> usize {
        let own = matches!(opcode, 0x12 | 0x13 | 0x0C)
            || self.profile.erases.iter().any(|erase| erase.four_byte == opcode);
        if own || self.chip.volatile().four_byte { 4 } else { 3 }
    }

    fn is_known(&self, opcode: u8) -> bool {
        self.profile.has_four_byte_opcodes
            || !(matches!(opcode, 0x12 | 0x13 | 0x0C)
                || self.profile.erases.iter().any(|erase| erase.four_byte == opcode))
    }

    /// The address in a command, converted to an address of the part's cells, and the bytes after
    /// it.
    fn address<'sent>(&self, sent: &'sent [u8], count: usize) -> Option<(i64, &'sent [u8])> {
        let (address, rest) = sent.get(1..)?.split_at_checked(count)?;
        let at = address.iter().fold(0_u64, |at, byte| at << 8 | u64::from(*byte));
        // Address bits above the chip's size do not exist.
        let at = at % self.profile.capacity.next_power_of_two().max(1);
        Some((at as i64 - i64::from(self.profile.base), rest))
    }

    /// Fills `out` with what the data line shows while the microcontroller reads.
    fn answer(&mut self, sent: &[u8], out: &mut [u8]) -> Result<(), BusError> {
        let volatile = self.chip.volatile();
        // A line that nothing drives may read high, low or noise.
        let floating = match volatile.now_ns / 64 % 4 {
            0 | 1 => 0xFF,
            2 => 0x00,
            _ => 0xA5,
        };
        out.fill(floating);
        let Some((&opcode, clocked)) = sent.split_first() else { return Ok(()) };
        let clocked = clocked.len();
        let is_busy = volatile.busy.is_some();
        if volatile.asleep || (is_busy && !matches!(opcode, 0x05 | 0x70)) {
            return Ok(());
        }
        match opcode {
            0x05 => {
                let busy = if is_busy { BUSY } else { 0 };
                let latch = if volatile.latch { LATCH } else { 0 };
                out.fill(self.protection() | busy | latch);
            }
            0x70 => out.fill(if is_busy { 0 } else { 0x80 }),
            0x9F => repeat(&[&self.profile.id[..], &[0; 3]].concat(), clocked, out),
            0x5A => {
                if let Some((at, rest)) = self.address(sent, 3)
                    && let Some(skip) = rest.len().checked_sub(1)
                {
                    let at = (at + i64::from(self.profile.base)) as usize + skip;
                    for (byte, at) in out.iter_mut().zip(at..) {
                        *byte = self.profile.tables.get(at).copied().unwrap_or(0xFF);
                    }
                }
            }
            0x03 | 0x0B | 0x13 | 0x0C if self.is_known(opcode) => {
                let dummies = usize::from(matches!(opcode, 0x0B | 0x0C));
                let count = self.address_bytes(opcode);
                if let Some((at, rest)) = self.address(sent, count)
                    && let Some(skip) = rest.len().checked_sub(dummies)
                {
                    return self.read_cells(at + skip as i64, out);
                }
            }
            _ => {}
        }
        Ok(())
    }

    /// Reads cells; everything outside the part reads as blank.
    fn read_cells(&mut self, at: i64, out: &mut [u8]) -> Result<(), BusError> {
        out.fill(0xFF);
        let cells = i64::from(self.chip.geometry().bytes());
        let (from, to) = (at.clamp(0, cells), (at + out.len() as i64).clamp(0, cells));
        if from < to {
            let out = &mut out[(from - at) as usize..(to - at) as usize];
            self.chip.read(from as u32, out).map_err(passed_on)?;
        }
        Ok(())
    }

    /// Executes the command that is complete when chip select rises.
    fn execute(&mut self, sent: &[u8]) {
        let Some((&opcode, rest)) = sent.split_first() else { return };
        let is_alone = rest.is_empty();
        let (is_busy, asleep) = {
            let volatile = self.chip.volatile();
            (volatile.busy.is_some(), volatile.asleep)
        };
        let was_reset_enabled = std::mem::take(&mut self.chip.volatile_mut().reset_enabled);
        let may_write_status = std::mem::take(&mut self.chip.volatile_mut().may_write_status);
        match opcode {
            0xAB if !is_busy => self.chip.volatile_mut().asleep = false,
            _ if asleep => {}
            0x66 if is_alone => self.chip.volatile_mut().reset_enabled = true,
            0x99 if is_alone && was_reset_enabled => self.reset(),
            _ if is_busy => {}
            0x06 if is_alone => {
                let volatile = self.chip.volatile_mut();
                volatile.enables += 1;
                let many = self.profile.misses_one_enable_of;
                let is_missed = many > 0 && volatile.enables.is_multiple_of(many)
                    || volatile.now_ns < self.profile.write_inhibit_ns;
                volatile.latch |= !is_missed;
            }
            0x50 if is_alone => self.chip.volatile_mut().may_write_status = true,
            0x01 => self.write_status(rest, may_write_status),
            0x04 if is_alone => self.chip.volatile_mut().latch = false,
            0xB9 if is_alone => {
                self.chip.volatile_mut().asleep = true;
                self.begin(Work::Nothing, SLEEP_NS);
            }
            0xB7 | 0xE9 if is_alone => {
                let needs_latch = self.profile.address_mode_needs_latch;
                let volatile = self.chip.volatile_mut();
                if volatile.latch || !needs_latch {
                    volatile.four_byte = opcode == 0xB7;
                }
            }
            0x02 | 0x12 if self.is_known(opcode) => self.program(opcode, sent),
            _ if self.is_known(opcode) => self.erase(opcode, sent),
            _ => {}
        }
    }

    /// The protection bits of the status register.
    fn protection(&self) -> u8 {
        self.chip.volatile().protection.unwrap_or(self.profile.protection)
    }

    /// Writes the status register: for good after 06h, until power-up after 50h. Here it lasts
    /// until power-up in both cases.
    fn write_status(&mut self, bytes: &[u8], is_volatile: bool) {
        let (Some(bits), latch) = (bytes.first(), self.chip.volatile().latch) else { return };
        if !latch && !is_volatile {
            return;
        }
        self.chip.volatile_mut().protection = Some(bits & PROTECTION);
        if latch {
            self.begin(Work::Nothing, STATUS_WRITE_NS);
        }
    }

    /// Whether the chip takes a program or erase. If blocks are protected, some chips clear the
    /// latch.
    fn may_write(&mut self) -> bool {
        let is_protected = self.protection() != 0;
        let volatile = self.chip.volatile_mut();
        let may_write = volatile.latch && !is_protected;
        volatile.latch &= !(is_protected && self.profile.clears_latch_when_protected);
        may_write
    }

    fn program(&mut self, opcode: u8, sent: &[u8]) {
        let Some((at, data)) = self.address(sent, self.address_bytes(opcode)) else { return };
        if data.is_empty() || !self.may_write() {
            return;
        }
        let page = i64::from(self.profile.page.max(1));
        let start = at - at.rem_euclid(page);
        // The address counter wraps within the page: if more bytes than a page arrive, the last
        // ones count.
        let mut bytes: Vec<Option<u8>> = vec![None; page as usize];
        for (offset, byte) in ((at - start)..).zip(data) {
            bytes[(offset % page) as usize] = Some(*byte);
        }
        let mut pieces: Vec<(u32, Vec<u8>)> = Vec::new();
        let mut is_stray = false;
        let cells = i64::from(self.chip.geometry().bytes());
        for (at, byte) in (start..).zip(bytes) {
            let Some(byte) = byte else { continue };
            if !(0..cells).contains(&at) {
                is_stray = true;
                continue;
            }
            let at = at as u32;
            match pieces.last_mut() {
                Some((from, piece)) if *from + piece.len() as u32 == at => piece.push(byte),
                _ => pieces.push((at, vec![byte])),
            }
        }
        self.chip.volatile_mut().strays += u32::from(is_stray);
        let time = self.chip.timing().program(data.len().min(page as usize)).typical_ns;
        self.begin(Work::Program(pieces), time);
    }

    fn erase(&mut self, opcode: u8, sent: &[u8]) {
        let count = self.address_bytes(opcode);
        let erase = self
            .profile
            .erases
            .iter()
            .find(|erase| opcode == erase.plain || opcode == erase.four_byte);
        // The command must end after the address.
        let (Some(erase), Some((at, []))) = (erase, self.address(sent, count)) else { return };
        if !self.may_write() {
            return;
        }
        let bytes = i64::from(erase.bytes);
        let cells = i64::from(self.chip.geometry().bytes());
        // Any address within the block selects it.
        let whole = at + i64::from(self.profile.base);
        let from = whole - whole.rem_euclid(bytes) - i64::from(self.profile.base);
        self.chip.volatile_mut().strays += u32::from(from < 0 || from + bytes > cells);
        let (from, to) = (from.clamp(0, cells) as u32, (from + bytes).clamp(0, cells) as u32);
        let time = self.chip.timing().erase(erase.bytes).typical_ns;
        self.begin(Work::Erase { from, to }, time);
    }

    fn begin(&mut self, work: Work, time_ns: u64) {
        let volatile = self.chip.volatile_mut();
        let from_ns = volatile.now_ns;
        volatile.busy = Some(Busy { work, from_ns, until_ns: from_ns + time_ns });
    }

    /// Resets the chip (66h, then 99h). A busy chip obeys too, and its work is torn.
    fn reset(&mut self) {
        if let Some(busy) = self.chip.volatile_mut().busy.take() {
            self.chip.note(ContractViolation::ResetWhileBusy);
            let geometry = self.chip.geometry();
            let mut rng = ChaCha8Rng::seed_from_u64(busy.from_ns);
            if let Some(step) = steps(&busy.work, geometry.sector_bytes).into_iter().next() {
                let tear = Tear::draw(&geometry, Level::F4, self.chip.image(), &step, &mut rng);
                self.chip.abort(&step, &tear);
            }
        }
        let volatile = self.chip.volatile_mut();
        volatile.latch = false;
        volatile.four_byte = false;
        self.begin(Work::Nothing, RESET_NS);
    }
}

/// Fills `out` with `bytes` repeated, beginning with the one that is clocked out next.
fn repeat(bytes: &[u8], clocked: usize, out: &mut [u8]) {
    for (byte, answer) in out.iter_mut().zip(bytes.iter().cycle().skip(clocked)) {
        *byte = *answer;
    }
}
