//! A chip with cells, an address mode, deep power-down and a busy time, on a bus with faults. It
//! follows the data sheets named in `faultsim/src/part/spi`.

#![allow(dead_code, reason = "each test uses a part of it")]

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::rc::Rc;

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{ErrorKind, ErrorType, Operation, SpiDevice};
use outlast_serialnor::{BlockProtection, Options, SerialNor};

/// Erase commands and the bytes they erase.
const ERASES: [(u8, u32); 5] =
    [(0x20, 4 << 10), (0x21, 4 << 10), (0x52, 32 << 10), (0xD8, 64 << 10), (0xDC, 64 << 10)];
/// One byte: 8 clocks at 50 MHz.
const BYTE_NS: u64 = 160;
/// How long programs and erases take here.
const BUSY_NS: u64 = 50_000;
/// Time from B9h to deep power-down, from memory of data sheets.
const SLEEP_NS: u64 = 10_000;

/// One bit of the tables, and which readings of its byte get it wrong.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Misread {
    pub(crate) byte: usize,
    pub(crate) mask: u8,
    pub(crate) readings_before: u32,
}

#[derive(Debug, Default)]
pub(crate) struct State {
    pub(crate) tables: Vec<u8>,
    /// The cells that were programmed; all others are blank.
    pub(crate) cells: BTreeMap<u32, u8>,
    /// Bits set in the status register besides the latch.
    pub(crate) status: u8,
    /// Until this time the status says busy.
    pub(crate) busy_until: u64,
    /// Until this time the flag status says busy, while the status says ready.
    pub(crate) flags_busy_until: u64,
    pub(crate) latch: bool,
    /// How many of the next write enable commands are lost on the bus.
    pub(crate) enables_lost: u32,
    /// How many of the next commands to leave deep power-down are lost on the bus.
    pub(crate) wakes_lost: u32,
    /// Whether ordinary commands take four address bytes.
    pub(crate) four: bool,
    /// Whether B7h and E9h need 06h before them.
    pub(crate) four_needs_latch: bool,
    /// Whether B7h and E9h clear the latch.
    pub(crate) mode_clears_latch: bool,
    /// Deep power-down is reached at this time; until then no command is taken.
    pub(crate) asleep_from: Option<u64>,
    pub(crate) now_ns: u64,
    /// Whether the bus fails at the transaction after 99h.
    pub(crate) fails_after_reset: bool,
    /// The transactions of programs, erases and mode commands that get lost, counted from 0.
    pub(crate) lost: Vec<usize>,
    /// How many such commands there were.
    pub(crate) commands: usize,
    /// Whether a chip that does not take a program or erase clears its latch.
    pub(crate) clears_latch: bool,
    /// How many of the next programs and erases the chip does not take.
    pub(crate) ignored: u32,
    /// Whether the chip does not take B7h and E9h.
    pub(crate) ignores_mode: bool,
    /// The status reads that are answered with this value, counted from 0.
    pub(crate) wrong_status: Option<(usize, u8)>,
    /// How many status reads there were.
    pub(crate) status_reads: usize,
    /// One bit that one reading of the tables gets wrong.
    pub(crate) misread: Option<Misread>,
    /// Whether every reading of the tables has another wrong bit.
    pub(crate) noise: bool,
    /// Until this time the chip neither answers nor listens, since its supply just came up.
    pub(crate) silent_until: u64,
    /// Until this time the chip ignores write enable.
    pub(crate) inhibits_until: u64,
    /// What the line reads as while the chip is silent or asleep.
    pub(crate) floating: u8,
    /// Whether the chip takes each frame for an address to read from, until one begins with FFh.
    pub(crate) reads_on: bool,
    /// The ID, if it is not that of most tests.
    pub(crate) id: Option<[u8; 3]>,
    /// An answer to 9Fh that is wrong, after so many that are right.
    pub(crate) misread_id: Option<(u32, [u8; 3])>,
    /// Which blocks the status bits protect; a chip without it protects all if one of bits 2 to 4
    /// is set.
    pub(crate) protection: Option<BlockProtection>,
    /// Blocks that are locked, by number; 3Ch reads such a lock, and 98h unlocks all.
    pub(crate) locked: Vec<u32>,
    /// The size of such a block, if not 64 KiB.
    pub(crate) lock_bytes: Option<u32>,
    /// 50h was received, which allows one volatile write of the status.
    pub(crate) may_write_volatile: bool,
    /// Whether the write protect pin keeps the status from being written.
    pub(crate) is_status_locked: bool,
    /// The second status register, if 01h with one byte clears it.
    pub(crate) second_status: u8,
    /// The status writes that the chip took: whether they were volatile, and the bytes.
    pub(crate) status_writes: Vec<(bool, Vec<u8>)>,
    /// The bus fails at this transaction, counted from 0, after the chip received it or before.
    pub(crate) fails_at: Option<(usize, bool)>,
    pub(crate) log: Vec<Vec<u8>>,
}

impl State {
    /// The address of the command, and the length of opcode and address together.
    fn address(&self, sent: &[u8]) -> Option<(u32, usize)> {
        let has_own = matches!(sent[0], 0x12 | 0x13 | 0x0C | 0x21 | 0xDC);
        let count = if has_own || self.four { 4 } else { 3 };
        let bytes = sent.get(1..=count)?;
        Some((bytes.iter().fold(0, |at, byte| at << 8 | u32::from(*byte)), 1 + count))
    }

    fn answer(&self, sent: &[u8], out: &mut [u8]) {
        out.fill(0xFF);
        if self.now_ns < self.silent_until {
            out.fill(self.floating);
            return;
        }
        if self.reads_on {
            return;
        }
        let status_busy = self.now_ns < self.busy_until;
        let is_busy = status_busy || self.now_ns < self.flags_busy_until;
        if self.asleep_from.is_some() {
            out.fill(self.floating);
            return;
        }
        if is_busy && !matches!(sent[0], 0x05 | 0x70) {
            return;
        }
        match sent[0] {
            0x05 => {
                let latch = if self.latch { 2 } else { 0 };
                out.fill(self.status | u8::from(status_busy) | latch);
            }
            0x70 => out.fill(u8::from(self.four) | if is_busy { 0 } else { 0x80 }),
            0x35 => out.fill(self.second_status),
            0x3C => {
                let Some((at, _)) = self.address(sent) else { return };
                let block = at / self.lock_bytes.unwrap_or(1 << 16);
                out.fill(if self.locked.contains(&block) { 0xFF } else { 0 });
            }
            0x4B => out.copy_from_slice(&b"unique id"[..out.len()]),
            0x16 => out.fill(u8::from(self.four) << 7),
            0x9F => {
                out.fill(0);
                out[..3].copy_from_slice(&self.id.unwrap_or([0xC2, 0x20, 0x19]));
            }
            0x5A => {
                let at = u32::from_be_bytes([0, sent[1], sent[2], sent[3]]) as usize;
                for (byte, at) in out.iter_mut().zip(at..) {
                    *byte = self.tables.get(at).copied().unwrap_or(0xFF);
                }
            }
            0x03 | 0x13 => {
                let Some((at, head)) = self.address(sent) else { return };
                let at = u64::from(at) + (sent.len() - head) as u64;
                for (byte, at) in out.iter_mut().zip(at..) {
                    *byte = self.cells.get(&(at as u32)).copied().unwrap_or(0xFF);
                }
            }
            _ => {}
        }
    }

    /// By command or by pin.
    pub(crate) fn reset(&mut self) {
        (self.four, self.latch, self.busy_until) = (false, false, 0);
    }

    /// A program or erase was taken.
    fn is_busy_now(&mut self) {
        self.latch = false;
        self.busy_until = self.now_ns + BUSY_NS;
    }

    fn misread(&mut self, sent: &[u8], out: &mut [u8]) {
        let at = u32::from_be_bytes([0, sent[1], sent[2], sent[3]]) as usize;
        if self.noise {
            out[self.log.len() % out.len()] ^= 1;
        }
        let Some(misread) = &mut self.misread else { return };
        let Some(byte) = misread.byte.checked_sub(at).and_then(|place| out.get_mut(place)) else {
            return;
        };
        if let Some(left) = misread.readings_before.checked_sub(1) {
            misread.readings_before = left;
        } else {
            *byte ^= misread.mask;
            self.misread = None;
        }
    }

    /// Whether the command gets lost, or the chip does not take it.
    fn is_in_vain(&mut self, sent: &[u8]) -> bool {
        let opcode = sent[0];
        let is_mode = matches!(opcode, 0xB7 | 0xE9);
        let is_write = matches!(opcode, 0x02 | 0x12) || ERASES.iter().any(|(it, _)| *it == opcode);
        if !is_mode && !is_write {
            return false;
        }
        self.commands += 1;
        if self.lost.contains(&(self.commands - 1)) || is_mode && self.ignores_mode {
            return true;
        }
        let is_ignored = is_write && self.ignored > 0;
        self.ignored -= u32::from(is_ignored);
        let is_ignored = is_ignored || is_write && self.is_protected(sent);
        self.latch &= !(is_ignored && self.clears_latch);
        is_ignored
    }

    /// Whether a program or erase is for a block that is protected.
    fn is_protected(&self, sent: &[u8]) -> bool {
        let Some((at, _)) = self.address(sent) else { return false };
        let bytes = ERASES.iter().find(|(it, _)| *it == sent[0]).map_or(1, |(_, bytes)| *bytes);
        let from = u64::from(at - at % bytes);
        let to = from + u64::from(bytes);
        let protected = match self.protection {
            Some(protection) => protection.range(self.status),
            None => (self.status & 0x1C != 0).then_some((0, u32::MAX)),
        };
        let lock_bytes = u64::from(self.lock_bytes.unwrap_or(1 << 16));
        let mut blocks = from / lock_bytes..to.div_ceil(lock_bytes);
        protected.is_some_and(|(first, last)| from <= last.into() && u64::from(first) < to)
            || blocks.any(|block| self.locked.contains(&(block as u32)))
    }

    /// 01h with one byte or two.
    fn write_status(&mut self, bytes: &[u8]) {
        let is_volatile = !self.latch;
        if self.latch {
            self.is_busy_now();
        }
        if self.is_status_locked {
            return;
        }
        self.status_writes.push((is_volatile, bytes.to_vec()));
        self.status = bytes[0] & !3;
        self.second_status = bytes.get(1).copied().unwrap_or(0);
    }

    fn execute(&mut self, sent: &[u8]) {
        if self.reads_on || self.now_ns < self.silent_until {
            self.reads_on &= sent[0] != 0xFF;
            return;
        }
        if self.now_ns < self.busy_until && sent[0] != 0x99 || self.is_in_vain(sent) {
            return;
        }
        if let Some(asleep_from) = self.asleep_from {
            if sent == [0xAB] && self.wakes_lost > 0 {
                self.wakes_lost -= 1;
            } else if sent == [0xAB] && asleep_from <= self.now_ns {
                self.asleep_from = None;
            }
            return;
        }
        let may_write_volatile = std::mem::take(&mut self.may_write_volatile);
        match sent {
            [0x50] => self.may_write_volatile = true,
            [0x98] if self.latch => {
                self.locked.clear();
                self.latch = false;
            }
            [0x01, bytes @ ..] if self.latch || may_write_volatile => self.write_status(bytes),
            [0x06] if self.enables_lost > 0 => self.enables_lost -= 1,
            [0x06] => self.latch = self.now_ns >= self.inhibits_until,
            [0x04] => self.latch = false,
            [mode @ (0xB7 | 0xE9)] if self.latch || !self.four_needs_latch => {
                self.four = *mode == 0xB7;
                self.latch &= !self.mode_clears_latch;
            }
            [0xB9] => self.asleep_from = Some(self.now_ns + SLEEP_NS),
            [0x99] => self.reset(),
            [0x02 | 0x12, ..] if self.latch => {
                let Some((at, head)) = self.address(sent) else { return };
                for (at, byte) in (at..=u32::MAX).zip(&sent[head..]) {
                    *self.cells.entry(at).or_insert(0xFF) &= byte;
                }
                self.is_busy_now();
            }
            [opcode, ..] if self.latch => {
                let Some((_, bytes)) = ERASES.iter().find(|(known, _)| known == opcode) else {
                    return;
                };
                let Some((at, head)) = self.address(sent) else { return };
                if head == sent.len() {
                    self.cells.retain(|cell, _| cell / bytes != at / bytes);
                    self.is_busy_now();
                }
            }
            _ => {}
        }
    }
}

#[derive(Debug, PartialEq, Eq, Clone, Copy)]
pub(crate) struct Failed;

impl embedded_hal::spi::Error for Failed {
    fn kind(&self) -> ErrorKind {
        ErrorKind::Other
    }
}

pub(crate) type Error = outlast_serialnor::Error<Failed>;
pub(crate) type Flash<const ERASE: usize = 4096, const WRITE: usize = 1> =
    SerialNor<Chip, Chip, ERASE, WRITE>;

#[derive(Clone, Debug)]
pub(crate) struct Chip(pub(crate) Rc<RefCell<State>>);

impl ErrorType for Chip {
    type Error = Failed;
}

impl DelayNs for Chip {
    fn delay_ns(&mut self, time: u32) {
        self.0.borrow_mut().now_ns += u64::from(time);
    }
}

impl SpiDevice for Chip {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Failed> {
        let mut state = self.0.borrow_mut();
        let is_after_reset = state.log.last().is_some_and(|sent| sent == &[0x99]);
        if is_after_reset && std::mem::take(&mut state.fails_after_reset) {
            return Err(Failed);
        }
        let failing = state.fails_at.filter(|(at, _)| *at == state.log.len());
        let mut sent = Vec::new();
        for operation in operations {
            match operation {
                Operation::Write(bytes) => {
                    state.now_ns += BYTE_NS * bytes.len() as u64;
                    sent.extend_from_slice(bytes);
                }
                Operation::Read(out) => {
                    state.now_ns += BYTE_NS * out.len() as u64;
                    state.answer(&sent, out);
                    if sent[0] == 0x9F
                        && let Some((before, id)) = state.misread_id
                    {
                        state.misread_id = before.checked_sub(1).map(|before| (before, id));
                        if before == 0 {
                            out[..3].copy_from_slice(&id);
                        }
                    }
                    if sent[0] == 0x5A {
                        state.misread(&sent, out);
                    }
                    if sent[0] == 0x05 {
                        state.status_reads += 1;
                        let read = state.status_reads - 1;
                        if let Some((_, value)) = state.wrong_status.filter(|(at, _)| *at == read) {
                            out.fill(value);
                        }
                    }
                }
                other => panic!("the driver does not use {other:?}"),
            }
        }
        if failing.is_none_or(|(_, is_after)| is_after) {
            state.execute(&sent);
        }
        state.log.push(sent);
        if failing.is_some() { Err(Failed) } else { Ok(()) }
    }
}

impl Chip {
    /// A chip with these tables, changed by the closure.
    pub(crate) fn of(name: &str, change: impl FnOnce(&mut State)) -> Self {
        let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/sfdp").join(name);
        let text = std::fs::read_to_string(path.with_extension("hex")).unwrap();
        let byte = |text| u8::from_str_radix(text, 16).unwrap();
        let tables = text.split_ascii_whitespace().map(byte).collect();
        let mut state = State { tables, ..State::default() };
        change(&mut state);
        Self(Rc::new(RefCell::new(state)))
    }

    pub(crate) fn start<const ERASE: usize, const WRITE: usize>(
        &self,
        options: Options,
    ) -> Result<Flash<ERASE, WRITE>, Error> {
        Ok(SerialNor::new(self.clone(), self.clone(), options)?)
    }
}
