//! The simulated chip compared with data sheets, byte by byte.
//!
//! Goal: the model behaves as the data sheets named at each test say. Method: each test sends
//! commands as bytes, and checks the status and the cells.

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::SpiDevice;

use crate::part::spi::{Profile, SpiChip};
use crate::part::{BusCut, Chip, Geometry, Part};

const PROGRAM_US: u32 = 1_000;
const ERASE_US: u32 = 2_000_000;

struct Bench {
    part: Part,
    spi: SpiChip,
}

impl Bench {
    /// 4 sectors of 4 KiB from address 0.
    fn new() -> Self {
        let geometry = Geometry::new(4, 4096, 1, 256).unwrap();
        let part = Part::new(Chip::new(geometry));
        let spi = SpiChip::new(&part, Profile::invented(&geometry).small(&geometry));
        Self { part, spi }
    }

    fn send(&mut self, bytes: &[u8]) {
        self.spi.write(bytes).unwrap();
    }

    fn wait_us(&mut self, time: u32) {
        self.spi.pause().delay_us(time);
    }

    fn status(&mut self) -> u8 {
        let mut bytes = [0x05, 0];
        self.spi.transfer_in_place(&mut bytes).unwrap();
        bytes[1]
    }

    fn program(&mut self, at: u32, data: &[u8]) {
        let [_, a, b, c] = at.to_be_bytes();
        self.send(&[0x06]);
        self.send(&[&[0x02, a, b, c], data].concat());
    }

    fn cells(&self, at: usize, len: usize) -> Vec<u8> {
        self.part.chip().image().bytes()[at..at + len].to_vec()
    }
}

// M25P20 section 4.6, IS25LP/WP128F sections 6.1 and 8.10.
#[test]
fn a_program_needs_the_latch_and_takes_its_time() {
    let mut bench = Bench::new();
    bench.send(&[0x02, 0, 0, 0, 0x00]);
    assert_eq!(bench.status(), 0);
    bench.wait_us(PROGRAM_US);
    assert_eq!(bench.cells(0, 1), [0xFF]);
    bench.program(0, &[0xF0]);
    assert_eq!(bench.status(), 3);
    // Commands are ignored while the chip is busy.
    bench.send(&[0x04]);
    bench.program(8, &[0]);
    bench.wait_us(PROGRAM_US);
    assert_eq!(bench.status(), 0);
    assert_eq!(bench.cells(0, 9), [0xF0, 255, 255, 255, 255, 255, 255, 255, 255]);
}

// IS25LP/WP128F section 8.10: the counter wraps within the page; if more than 256 bytes are sent,
// the last 256 count.
#[test]
fn programs_wrap_within_the_page() {
    let mut bench = Bench::new();
    bench.program(0x1FE, &[1, 2, 3]);
    bench.wait_us(PROGRAM_US);
    assert_eq!(bench.cells(0x100, 2), [3, 0xFF]);
    assert_eq!(bench.cells(0x1FE, 3), [1, 2, 0xFF]);
    let data: Vec<u8> = (0..258).map(|n| if n < 2 { 0 } else { 0x80 }).collect();
    bench.program(0x300, &data);
    bench.wait_us(PROGRAM_US);
    assert_eq!(bench.cells(0x300, 256), [0x80; 256]);
}

// MT25QL256, page 66: a command that is cut short is not executed and the latch stays set; any
// address in the sector selects it.
#[test]
fn erases_need_their_whole_address_and_no_more() {
    let mut bench = Bench::new();
    bench.program(0x1000, &[0; 4]);
    bench.wait_us(PROGRAM_US);
    bench.send(&[0x06]);
    bench.send(&[0x20, 0, 0x10]);
    bench.send(&[0x20, 0, 0x10, 0, 0]);
    bench.send(&[0xD7, 0, 0x10, 0]);
    assert_eq!(bench.status(), 2);
    bench.send(&[0x20, 0, 0x17, 0x65]);
    assert_eq!(bench.status(), 3);
    bench.wait_us(ERASE_US);
    assert_eq!((bench.status(), bench.cells(0x1000, 4)), (0, vec![0xFF; 4]));
}

// M25P20: in deep power-down everything but the release is ignored. From memory: the release is
// also ignored until deep power-down is reached.
#[test]
fn in_deep_power_down_only_the_release_is_heard() {
    let mut bench = Bench::new();
    bench.send(&[0xB9]);
    bench.send(&[0xAB]);
    bench.wait_us(10);
    assert!(bench.part.chip().volatile().asleep);
    bench.send(&[0x06]);
    bench.send(&[0xAB]);
    assert_eq!(bench.status(), 0);
    bench.send(&[0x06]);
    assert_eq!(bench.status(), 2);
}

// IS25LP/WP128F: 99h counts only directly after 66h, and also while the chip is busy.
#[test]
fn reset_needs_both_commands_and_tears_the_work_under_way() {
    let mut bench = Bench::new();
    bench.send(&[0x06]);
    bench.send(&[0x66]);
    bench.send(&[0x05]);
    bench.send(&[0x99]);
    assert_eq!(bench.status(), 2);
    bench.send(&[0x66]);
    bench.send(&[0x99]);
    bench.wait_us(100);
    assert_eq!(bench.status(), 0);
    assert!(bench.part.chip().violations().is_empty());
    bench.program(0, &[0]);
    bench.send(&[0x66]);
    bench.send(&[0x99]);
    assert_eq!(bench.part.chip().violations().len(), 1);
}

// A microcontroller in reset releases chip select, so the bytes that arrived are programmed. This
// follows from "starts when chip select rises after a whole byte", IS25LP/WP128F section 8.10.
#[test]
fn a_microcontroller_reset_ends_the_command_but_not_the_work() {
    let mut bench = Bench::new();
    bench.send(&[0x06]);
    let now = bench.part.chip().bus_moments();
    bench.part.chip_mut().cut_on_bus(now + 4 + 2, BusCut::Reset);
    assert!(bench.spi.write(&[0x02, 0, 0, 0, 1, 2, 3, 4]).is_err());
    assert!(bench.part.chip().is_reset());
    bench.part.chip_mut().restart();
    assert_eq!(bench.status(), 3);
    bench.wait_us(PROGRAM_US);
    assert_eq!((bench.status(), bench.cells(0, 3)), (0, vec![1, 2, 0xFF]));
}

// JESD216: one dummy byte after three address bytes, in every address mode.
#[test]
fn tables_are_read_in_every_mode() {
    let mut bench = Bench::new();
    for mode in [0xE9, 0xB7] {
        bench.send(&[mode]);
        let mut bytes = [0x5A, 0, 0, 1, 0, 0, 0, 0];
        bench.spi.transfer_in_place(&mut bytes[..]).unwrap();
    }
    let mut out = [0; 3];
    let mut operations = [
        embedded_hal::spi::Operation::Write(&[0x5A, 0, 0, 1, 0]),
        embedded_hal::spi::Operation::Read(&mut out),
    ];
    bench.spi.transaction(&mut operations).unwrap();
    assert_eq!(&out, b"FDP");
}
