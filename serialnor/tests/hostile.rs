//! Goal: whatever a chip answers and however its bus fails, no call panics or goes on for ever, no
//! frame is longer than the host allows, and no program or erase leaves the range it was asked for.
//! Method: random tables, made from real ones, and a bus that answers at random, by proptest.

mod mock;

use std::cell::{Cell, RefCell};
use std::convert::Infallible;
use std::rc::Rc;

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{ErrorType as PinErrorType, OutputPin};
use embedded_hal::spi::{ErrorType, Operation, SpiDevice};
use embedded_storage::nor_flash::{NorFlash, ReadNorFlash};
use outlast_serialnor::{
    BlockLocks, BlockProtection, DataSheet, FourByte, NotStarted, Options, OwnCommand, SerialNor,
    StatusWrite,
};
use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};

use mock::{Chip, Failed};

/// More transactions than any call here may need: one erase may be polled for 60 s.
const MOST_TRANSACTIONS: u64 = 20_000_000;
const TRANSFER_BYTES: usize = 48;

#[derive(Debug)]
struct Line {
    tables: Vec<u8>,
    random: u64,
    /// One in so many transactions fails; none if 0, which no number but 0 is a multiple of.
    fails_one_of: u64,
    /// Of 256 answers, how many are plausible ones.
    plausible: u64,
    transactions: u64,
    /// Programs and erases: opcode and address.
    writes: Vec<(u8, u32)>,
    longest: usize,
    is_four: bool,
}

impl Line {
    fn draw(&mut self) -> u64 {
        // xorshift64: only variety matters.
        self.random ^= self.random << 13;
        self.random ^= self.random >> 7;
        self.random ^= self.random << 17;
        self.random
    }

    fn answer(&mut self, sent: &[u8], out: &mut [u8]) {
        let is_plausible = self.draw() % 256 < self.plausible;
        for (place, byte) in out.iter_mut().enumerate() {
            let random = self.draw() as u8;
            *byte = match sent {
                [0x5A, a, b, c, _] if is_plausible => {
                    let at = u32::from_be_bytes([0, *a, *b, *c]) as usize + place;
                    self.tables.get(at).copied().unwrap_or(0xFF)
                }
                [0x05] if is_plausible => [0x00, 0x02, 0x02, 0x03, 0x01, 0x00][random as usize % 6],
                [0x70] if is_plausible => [0x80, 0x81, 0x00][random as usize % 3],
                [0x9F] if is_plausible => [0xC2, 0x20, 0x1B][place % 3],
                _ if is_plausible => 0xFF,
                _ => random,
            };
        }
    }
}

#[derive(Clone, Debug)]
struct Noise(Rc<RefCell<Line>>);

impl ErrorType for Noise {
    type Error = Failed;
}

impl PinErrorType for Noise {
    type Error = Infallible;
}

impl OutputPin for Noise {
    fn set_low(&mut self) -> Result<(), Infallible> {
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        Ok(())
    }
}

impl DelayNs for Noise {
    fn delay_ns(&mut self, _: u32) {}

    fn delay_us(&mut self, _: u32) {}
}

impl SpiDevice for Noise {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Failed> {
        let mut line = self.0.borrow_mut();
        line.transactions += 1;
        assert!(line.transactions < MOST_TRANSACTIONS, "an endless loop");
        let fails = line.draw();
        let mut sent = Vec::new();
        let mut len = 0;
        for operation in operations {
            match operation {
                Operation::Write(bytes) => {
                    sent.extend_from_slice(bytes);
                    len += bytes.len();
                }
                Operation::Read(out) => {
                    line.answer(&sent, out);
                    len += out.len();
                }
                other => panic!("the driver does not use {other:?}"),
            }
        }
        line.longest = line.longest.max(len);
        let is_write =
            sent.len() > 3 && !matches!(sent[0], 0xFF | 0x5A | 0x03 | 0x0B | 0x0C | 0x13);
        if is_write && let Some((at, _)) = address(&sent, line.is_four) {
            line.writes.push((sent[0], at));
        }
        if fails.is_multiple_of(line.fails_one_of) { Err(Failed) } else { Ok(()) }
    }
}

fn address(sent: &[u8], is_four: bool) -> Option<(u32, usize)> {
    let count = if is_four { 4 } else { 3 };
    let bytes = sent.get(1..=count)?;
    Some((bytes.iter().fold(0, |at, byte| at << 8 | u32::from(*byte)), 1 + count))
}

type Flash = SerialNor<Noise, Noise, 4096>;

const LOCKS: BlockLocks = BlockLocks { read_opcode: 0x3D, locked_bits: 1, block_bytes: 65536 };

fn sheets() -> [DataSheet; 4] {
    let erase = [Some(0x21), Some(0x5C), Some(0xDC), None];
    let protection = BlockProtection::new(16 << 20, 0x7C, 4096).with_bottom_bit(0x80);
    [
        DataSheet::new(),
        DataSheet::new().with_four_byte(FourByte::Mode { write_enable: true }),
        DataSheet::new().with_four_byte(FourByte::Opcodes { erase }).with_block_locks(LOCKS),
        DataSheet::new()
            .with_capacity(16 << 20)
            .with_block_protection(protection)
            .with_status_write(StatusWrite { volatile_enable: Some(0x50), with_second: true }),
    ]
}

/// Calls everything. What the calls return does not matter here. Returns how many programs and
/// erases were sent.
fn exercise(flash: &mut Flash, line: &Noise, at: u32) -> Result<usize, TestCaseError> {
    line.0.borrow_mut().is_four = flash.chip().addressing != outlast_serialnor::Addressing::Three;
    let end = at.saturating_add(3 * 4096).min((flash.chip().capacity - 1) as u32) & !0xFFF;
    line.0.borrow_mut().writes.clear();
    let _ = flash.write(at + 7, &[0; 300]);
    let _ = flash.read(at, &mut [0; 100]);
    let _ = flash.erase(at, end.max(at));
    let _ = flash.begin_program(at, &[1; 300]);
    for _ in 0..20 {
        let _ = flash.is_done();
    }
    let _ = flash.finish();
    let _ = flash.begin_erase(at, end.max(at));
    let _ = flash.is_done();
    let _ = flash.power_down();
    let _ = flash.finish();
    let writes = std::mem::take(&mut line.0.borrow_mut().writes);
    let count = writes.len();
    for (opcode, to) in writes {
        let is_within = (at..end.max(at + 307)).contains(&to);
        prop_assert!(is_within, "{opcode:#x} at {to:#x}, not in {at:#x}..{end:#x}");
    }
    let _ = flash.reset();
    let _ = flash.reset_by_pin(&mut line.clone());
    let _ = flash.unprotect();
    let _ = flash.unprotect_for_good();
    let _ = flash.run_own(OwnCommand::new(&[0x4B, 0, 0, 0, 0]), &mut [0; 8]);
    prop_assert!(line.0.borrow().longest <= TRANSFER_BYTES);
    Ok(count)
}

#[test]
fn no_answers_make_the_driver_panic_or_hang() {
    let name = prop::sample::select(vec![
        "mx66l1g45g",
        "mt25qu256a",
        "is25wp256",
        "n25q256a",
        "s28hs02gt",
        "mt35xu01g",
        "mx25l3233f",
    ]);
    let changes = prop::collection::vec((0_usize..0x90, any::<u8>()), 0..6);
    let plausible = prop::sample::select(vec![0_u64, 200, 250, 255, 256, 256, 256, 256]);
    let fails_one_of = prop::sample::select(vec![0_u64, 0, 0, 5, 60, 1000]);
    let cases =
        (name, changes, 1_u64.., plausible, fails_one_of, 0_usize..4, any::<u8>(), any::<u32>());
    let (started, written) = (Cell::new(0), Cell::new(0));
    let mut runner = TestRunner::new(Config { cases: 16_384, ..Config::default() });
    let result = runner.run(&cases, |case| {
        let (name, changes, random, plausible, fails_one_of, sheet, flags, at) = case;
        let mut tables = Chip::of(name, |_| ()).0.borrow().tables.clone();
        for (at, value) in changes {
            if let Some(byte) = tables.get_mut(at) {
                *byte = value;
            }
        }
        let line = Noise(Rc::new(RefCell::new(Line {
            tables,
            random,
            fails_one_of,
            plausible,
            transactions: 0,
            writes: Vec::new(),
            longest: 0,
            is_four: false,
        })));
        let options = Options::new()
            .with_data_sheet(sheets()[sheet])
            .with_transfer_bytes(TRANSFER_BYTES)
            .with_start_timeout_us(500_000)
            .with_verify(flags & 1 != 0)
            .with_second_programs(flags & 2 != 0)
            .with_fast_read(flags & 4 != 0)
            .with_latch_that_stays_set(flags & 8 != 0);
        let result: Result<Flash, NotStarted<Noise, Noise>> =
            SerialNor::new(line.clone(), line.clone(), options);
        let Ok(mut flash) = result else { return Ok(()) };
        started.set(started.get() + 1);
        let capacity = flash.chip().capacity;
        let at = (u64::from(at) % capacity) as u32 & !0xFFF;
        written.set(written.get() + exercise(&mut flash, &line, at)?);
        Ok(())
    });
    result.unwrap();
    // Otherwise little was tried.
    assert!(started.get() > 800 && written.get() > 5_000, "{started:?} {written:?}");
}
