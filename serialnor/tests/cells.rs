//! Goal: the driver programs and erases the right bytes, also if commands get lost, the chip is
//! asleep or in another address mode, or the tables are unusual.
//!
//! Method: a mock chip with cells, address mode and deep power-down; a mistake of the driver shows
//! in its bytes. The chip follows the data sheets named in `faultsim/src/part/spi`. The changes to
//! the tables of real chips, and the faults, are invented.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::rc::Rc;

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{ErrorKind, ErrorType, Operation, SpiDevice};
use embedded_storage::nor_flash::{NorFlash, ReadNorFlash};
use outlast_serialnor::{Addressing, DataSheet, EraseType, FourByte, Options, SerialNor, Work};

/// Erase commands and the bytes they erase.
const ERASES: [(u8, u32); 5] =
    [(0x20, 4 << 10), (0x21, 4 << 10), (0x52, 32 << 10), (0xD8, 64 << 10), (0xDC, 64 << 10)];
/// One byte: 8 clocks at 50 MHz.
const BYTE_NS: u64 = 160;
/// Time from B9h to deep power-down, from memory of data sheets.
const SLEEP_NS: u64 = 10_000;

#[derive(Default)]
struct State {
    tables: Vec<u8>,
    /// The cells that were programmed; all others are blank.
    cells: BTreeMap<u32, u8>,
    /// Bits set in the status register besides the latch.
    status: u8,
    /// Until this time the flag status says busy, while the status says ready.
    flags_busy_until: u64,
    latch: bool,
    /// How many of the next write enable commands are lost on the bus.
    enables_lost: u32,
    /// Whether ordinary commands take four address bytes.
    four: bool,
    /// Whether B7h and E9h need 06h before them.
    four_needs_latch: bool,
    /// Deep power-down is reached at this time; until then no command is taken.
    asleep_from: Option<u64>,
    now_ns: u64,
    /// Whether the bus fails at the transaction after 99h.
    fails_after_reset: bool,
    log: Vec<Vec<u8>>,
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
        let is_busy = self.now_ns < self.flags_busy_until;
        if self.asleep_from.is_some() || (is_busy && !matches!(sent[0], 0x05 | 0x70)) {
            return;
        }
        match sent[0] {
            0x05 => out.fill(self.status | if self.latch { 2 } else { 0 }),
            0x70 => out.fill(if is_busy { 0 } else { 0x80 }),
            0x9F => {
                out.fill(0);
                out[..3].copy_from_slice(&[0xC2, 0x20, 0x19]);
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

    fn execute(&mut self, sent: &[u8]) {
        if let Some(asleep_from) = self.asleep_from {
            if sent == [0xAB] && asleep_from <= self.now_ns {
                self.asleep_from = None;
            }
            return;
        }
        match sent {
            [0x06] if self.enables_lost > 0 => self.enables_lost -= 1,
            [0x06] => self.latch = true,
            [0x04] => self.latch = false,
            [mode @ (0xB7 | 0xE9)] if self.latch || !self.four_needs_latch => {
                self.four = *mode == 0xB7;
            }
            [0xB9] => self.asleep_from = Some(self.now_ns + SLEEP_NS),
            [0x99] => (self.four, self.latch) = (false, false),
            [0x02 | 0x12, ..] if self.latch => {
                let Some((at, head)) = self.address(sent) else { return };
                for (at, byte) in (at..=u32::MAX).zip(&sent[head..]) {
                    *self.cells.entry(at).or_insert(0xFF) &= byte;
                }
                self.latch = false;
            }
            [opcode, ..] if self.latch => {
                let Some((_, bytes)) = ERASES.iter().find(|(known, _)| known == opcode) else {
                    return;
                };
                let Some((at, head)) = self.address(sent) else { return };
                if head == sent.len() {
                    self.cells.retain(|cell, _| cell / bytes != at / bytes);
                    self.latch = false;
                }
            }
            _ => {}
        }
    }
}

#[derive(Debug, PartialEq, Eq, Clone, Copy)]
struct Failed;

impl embedded_hal::spi::Error for Failed {
    fn kind(&self) -> ErrorKind {
        ErrorKind::Other
    }
}

type Error = outlast_serialnor::Error<Failed>;
type Flash<const ERASE: usize = 4096, const WRITE: usize = 1> = SerialNor<Chip, Chip, ERASE, WRITE>;

#[derive(Clone)]
struct Chip(Rc<RefCell<State>>);

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
                }
                other => panic!("the driver does not use {other:?}"),
            }
        }
        state.execute(&sent);
        state.log.push(sent);
        Ok(())
    }
}

impl Chip {
    /// A chip with these tables, changed by the closure.
    fn of(name: &str, change: impl FnOnce(&mut State)) -> Self {
        let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/sfdp").join(name);
        let text = std::fs::read_to_string(path.with_extension("hex")).unwrap();
        let byte = |text| u8::from_str_radix(text, 16).unwrap();
        let tables = text.split_ascii_whitespace().map(byte).collect();
        let mut state = State { tables, ..State::default() };
        change(&mut state);
        Self(Rc::new(RefCell::new(state)))
    }

    fn start<const ERASE: usize, const WRITE: usize>(
        &self,
        options: Options,
    ) -> Result<Flash<ERASE, WRITE>, Error> {
        SerialNor::new(self.clone(), self.clone(), options)
    }
}

fn read<const LEN: usize, const ERASE: usize>(flash: &mut Flash<ERASE>, at: u32) -> [u8; LEN] {
    let mut bytes = [0; LEN];
    flash.read(at, &mut bytes).unwrap();
    bytes
}

#[test]
fn without_a_fault_every_chip_works() {
    for name in ["mt25qu256a", "at25ql128a", "is25wp256"] {
        let chip = Chip::of(name, |_| ());
        let mut flash: Flash = chip.start(Options::new().with_verify(true)).unwrap();
        flash.write(0x12_3400, b"hello").unwrap();
        flash.erase(0x11_0000, 0x12_3000).unwrap();
        if flash.chip().has_reset {
            flash.reset().unwrap();
        }
        assert_eq!(&read(&mut flash, 0x12_3400), b"hello", "{name}");
        flash.erase(0x12_0000, 0x13_0000).unwrap();
        assert_eq!(read(&mut flash, 0x12_3400), [0xFF; 5], "{name}");
    }
}

/// Changes a DWORD of the basic table, which is at 30h in all tables changed here.
fn set_dword(state: &mut State, number: usize, change: impl FnOnce(u32) -> u32) {
    let at = 0x30 + 4 * (number - 1);
    let word: &mut [u8; 4] = state.tables[at..].first_chunk_mut().unwrap();
    *word = change(u32::from_le_bytes(*word)).to_le_bytes();
}

fn types<const COUNT: usize>(types: [(u32, u8); COUNT]) -> [Option<EraseType>; 4] {
    let erase = |(bytes, opcode)| EraseType { bytes, opcode, times: None };
    std::array::from_fn(|index| types.get(index).copied().map(erase))
}

fn erases<const ERASE: usize>(flash: &Flash<ERASE>) -> Vec<(u32, u8)> {
    let types = flash.chip().erase_types;
    types.iter().flatten().map(|erase| (erase.bytes, erase.opcode)).collect()
}

// The tables of MT25QU256A list types of 4, 64 and 32 KiB, with four-byte commands 21h, DCh and
// none.
#[test]
fn erase_types_of_a_data_sheet_get_the_command_of_their_size() {
    let chip = Chip::of("mt25qu256a", |_| ());
    let of = |sheet| Options::new().with_data_sheet(sheet);
    let usual = types([(4 << 10, 0x20), (32 << 10, 0x52), (64 << 10, 0xD8)]);
    let sheet = DataSheet::new().with_erase_types(usual);
    let mut flash: Flash = chip.start(of(sheet)).unwrap();
    assert_eq!(erases(&flash), [(4 << 10, 0x21), (64 << 10, 0xDC)]);
    // Erasing the second half of a block leaves the first half alone.
    flash.write(0x1_0000, b"calibration").unwrap();
    flash.erase(0x1_8000, 0x2_0000).unwrap();
    assert_eq!(&read(&mut flash, 0x1_0000), b"calibration");

    let sheet = DataSheet::new().with_erase_types(types([(64 << 10, 0xD8)]));
    let mut flash: Flash<65536> = chip.start(of(sheet)).unwrap();
    flash.write(0x1_8000, b"old").unwrap();
    flash.erase(0x1_0000, 0x2_0000).unwrap();
    assert_eq!(read(&mut flash, 0x1_8000), [0xFF; 3]);

    let sheet = DataSheet::new().with_erase_types(types([(128 << 10, 0xD8)]));
    let error = chip.start::<{ 128 << 10 }, 1>(of(sheet)).err();
    assert_eq!(error, Some(Error::UnclearEraseTypes));

    // The 256 KiB type of this chip is the fourth.
    let chip = Chip::of("s28hs02gt", |_| ());
    let sheet = DataSheet::new().with_erase_types(types([(256 << 10, 0xDC)]));
    let flash: Flash<{ 256 << 10 }> = chip.start(of(sheet)).unwrap();
    assert_eq!(erases(&flash), [(256 << 10, 0xDC)]);
}

#[test]
fn four_byte_commands_of_a_data_sheet_need_its_erase_types() {
    let chip = Chip::of("mt25qu256a", |_| ());
    let erase = [Some(0x21), Some(0x5C), Some(0xDC), None];
    let sheet = DataSheet::new().with_four_byte(FourByte::Opcodes { erase });
    let start = |sheet| chip.start::<4096, 1>(Options::new().with_data_sheet(sheet));
    assert_eq!(start(sheet).err(), Some(Error::UnclearEraseTypes));
    let usual = types([(4 << 10, 0x20), (32 << 10, 0x52), (64 << 10, 0xD8)]);
    let flash = start(sheet.with_erase_types(usual)).unwrap();
    assert_eq!(erases(&flash), [(4 << 10, 0x21), (32 << 10, 0x5C), (64 << 10, 0xDC)]);
}

#[test]
fn a_chip_on_its_way_to_sleep_is_woken() {
    let chip = Chip::of("at25ql128a", |_| ());
    let mut flash: Flash = chip.start(Options::new()).unwrap();
    flash.write(0, b"hello").unwrap();
    flash.power_down().unwrap();
    assert_eq!(&read(&mut flash, 0), b"hello");
    chip.clone().write(&[0xB9]).unwrap();
    let mut flash: Flash = chip.start(Options::new()).unwrap();
    assert_eq!(&read(&mut flash, 0), b"hello");
}

#[test]
fn a_lost_write_enable_before_the_address_mode_is_repeated() {
    let lost = |enables_lost| {
        Chip::of("n25q256a", |state| {
            (state.four_needs_latch, state.enables_lost) = (true, enables_lost);
        })
    };
    let sheet = DataSheet::new().with_four_byte(FourByte::Mode { write_enable: true });
    let options = Options::new().with_data_sheet(sheet);
    let chip = lost(1);
    let mut flash: Flash = chip.start(options).unwrap();
    flash.write(0x12_3400, b"hello").unwrap();
    assert_eq!(chip.0.borrow().cells.keys().next(), Some(&0x12_3400));
    let error = lost(3).start::<4096, 1>(options).err();
    assert_eq!(error, Some(Error::WriteEnableIgnored { status: 0 }));
}

#[test]
fn the_address_mode_is_set_again_after_a_reset_that_failed_half_way() {
    let chip = Chip::of("is25wp256", |state| state.fails_after_reset = true);
    let mut flash: Flash = chip.start(Options::new()).unwrap();
    assert_eq!(flash.chip().addressing, Addressing::FourByteMode { write_enable: false });
    assert_eq!(flash.reset(), Err(Error::Bus(Failed)));
    assert!(!chip.0.borrow().four);
    flash.write(0x12_3400, b"hello").unwrap();
    assert_eq!(chip.0.borrow().cells.keys().next(), Some(&0x12_3400));
}

// DWORD 1 says three bytes only.
#[test]
fn a_small_chip_is_not_taken_for_one_that_always_needs_four_address_bytes() {
    for word in [0xFFFF_FFFF, 0xFF00_1000, 0x4000_1000] {
        let chip = Chip::of("at25ql128a", |state| set_dword(state, 16, |_| word));
        let flash: Flash = chip.start(Options::new()).unwrap();
        assert_eq!(flash.chip().addressing, Addressing::Three, "{word:#x}");
        assert_eq!(flash.chip().has_reset, word != u32::MAX, "{word:#x}");
    }
    let chip = Chip::of("mx25l3233f", |state| set_dword(state, 1, |word| word | 2 << 17));
    let flash: Flash = chip.start(Options::new()).unwrap();
    assert_eq!(flash.chip().addressing, Addressing::Four);
}

// DWORD 1 bit 2 is 0 for chips that program single bytes; revision 1.0 has no page size.
#[test]
fn a_chip_that_programs_single_bytes_gets_them() {
    let chip = Chip::of("mx25l3233f", |state| set_dword(state, 1, |word| word & !4));
    let mut flash: Flash = chip.start(Options::new()).unwrap();
    assert_eq!(flash.chip().page_bytes, 1);
    flash.write(0x100, b"hello").unwrap();
    let programs = chip.0.borrow().log.iter().filter(|sent| sent[0] == 0x02).count();
    assert_eq!(programs, 5);
}

#[test]
fn a_page_smaller_than_the_program_unit_is_refused() {
    let chip = Chip::of("at25ql128a", |state| set_dword(state, 11, |word| word & !0xF0 | 3 << 4));
    assert_eq!(chip.start::<4096, 8>(Options::new()).unwrap().chip().page_bytes, 8);
    let error = chip.start::<4096, 16>(Options::new()).err();
    assert_eq!(error, Some(Error::PageSize { page_bytes: 8 }));
    let sheet = DataSheet::new().with_page_bytes(256);
    chip.start::<4096, 16>(Options::new().with_data_sheet(sheet)).unwrap();
}

#[test]
fn a_capacity_below_the_erase_size_is_refused() {
    let chip = Chip::of("at25ql128a", |_| ());
    let of = |bytes| Options::new().with_data_sheet(DataSheet::new().with_capacity(bytes));
    assert_eq!(chip.start::<4096, 1>(of(4095)).err(), Some(Error::TooSmall));
    assert_eq!(chip.start::<4096, 1>(of(8191)).unwrap().capacity(), 4096);
}

// S25FS256T lists 13h, but not 0Ch.
#[test]
fn a_fast_read_that_the_chip_does_not_have_is_refused() {
    let chip = Chip::of("s25fs256t", |_| ());
    let sheet = DataSheet::new().with_erase_types(types([(128 << 10, 0xD8)]));
    let options = Options::new().with_data_sheet(sheet);
    let start = |options| chip.start::<{ 128 << 10 }, 1>(options);
    assert_eq!(start(options.with_fast_read(true)).err(), Some(Error::NotSupported));
    start(options).unwrap();
}

#[test]
fn a_short_timeout_does_not_mistake_a_busy_chip_for_a_missing_one() {
    let chip = Chip::of("at25ql128a", |state| state.status = 0x03);
    let error = |status| {
        chip.0.borrow_mut().status = status;
        chip.start::<4096, 1>(Options::new().with_start_timeout_us(0)).err()
    };
    assert_eq!(error(0x03), Some(Error::StillBusy { work: Work::Start, status: 0x03 }));
    assert_eq!(error(0xFF), Some(Error::BusStuck(0xFF)));
}

// DWORD 2: bit 31 and the number of bits as a power of two. The largest chip that 32-bit offsets
// reach.
#[test]
fn the_last_bytes_of_4_gib_are_verified() {
    let chip = Chip::of("mx66l1g45g", |state| set_dword(state, 2, |_| 1 << 31 | 35));
    let mut flash: Flash = chip.start(Options::new().with_verify(true)).unwrap();
    assert_eq!(flash.chip().capacity, 1 << 32);
    flash.write(u32::MAX - 39, &[0x5A; 40]).unwrap();
    assert_eq!(read(&mut flash, u32::MAX - 39), [0x5A; 40]);
    assert_eq!(flash.write(u32::MAX, &[0xFF]), Err(Error::Verify { at: u32::MAX }));
}

// The tables of MT25QU256A list only 70h for waiting.
#[test]
fn the_start_waits_for_a_chip_that_is_busy_by_its_flag_status() {
    let chip = Chip::of("mt25qu256a", |state| state.flags_busy_until = 200_000_000);
    let start = |timeout| chip.start::<4096, 1>(Options::new().with_start_timeout_us(timeout));
    assert_eq!(start(100_000).err(), Some(Error::StillBusy { work: Work::Start, status: 0x00 }));
    start(200_000).unwrap();
}

#[test]
fn the_address_mode_of_earlier_firmware_is_left_as_the_data_sheet_says() {
    for write_enable in [false, true] {
        let chip = Chip::of("n25q256a", |state| {
            (state.four, state.four_needs_latch) = (true, write_enable);
        });
        let sheet = DataSheet::new().with_four_byte(FourByte::Leave { write_enable });
        let start = |sheet| chip.start::<4096, 1>(Options::new().with_data_sheet(sheet));
        assert_eq!(start(sheet).err(), Some(Error::FourByteAddresses));
        let mut flash = start(sheet.with_capacity(16 << 20)).unwrap();
        flash.write(0x12_3400, b"hello").unwrap();
        assert_eq!(chip.0.borrow().cells.keys().next(), Some(&0x12_3400));
    }
}
