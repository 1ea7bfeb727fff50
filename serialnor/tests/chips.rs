//! Goal: the driver uses each real chip as its tables and its data sheet say, sends the frames of
//! the standard, and reports what is wrong instead of guessing.
//!
//! Method: a mock chip without cells that answers with the tables of a real chip and logs what it
//! is sent. Expected values come from `tests/sfdp/README.md` and from the data sheets named at each
//! test; random changes of the tables must not make the driver panic.

use std::cell::RefCell;
use std::convert::Infallible;
use std::path::PathBuf;
use std::rc::Rc;

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{ErrorType, Operation, SpiDevice};
use embedded_storage::nor_flash::{NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash};
use proptest::prelude::*;

use outlast_serialnor::{
    Addressing, DataSheet, EraseType, Error, FourByte, Options, SerialNor, SfdpError, Work,
};

/// A chip that is idle, has these tables and is busy for one status read after each program and
/// erase. It has no cells: data read as FFh.
#[derive(Clone, Debug)]
struct MockChip {
    tables: Vec<u8>,
    id: [u8; 3],
    latch: bool,
    is_busy: bool,
    /// Bits set in the status register besides the latch.
    status: u8,
    flags: u8,
    log: Rc<RefCell<Vec<Vec<u8>>>>,
    slept_us: Rc<RefCell<u64>>,
}

impl MockChip {
    fn new(tables: Vec<u8>) -> Self {
        let (log, slept_us) = (Rc::default(), Rc::default());
        let id = [0xC2, 0x20, 0x1B];
        Self { tables, id, latch: false, is_busy: false, status: 0, flags: 0x80, log, slept_us }
    }

    fn of(name: &str) -> Self {
        let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/sfdp").join(name);
        let text = std::fs::read_to_string(path.with_extension("hex")).unwrap();
        let byte = |text| u8::from_str_radix(text, 16).unwrap();
        Self::new(text.split_ascii_whitespace().map(byte).collect())
    }

    /// A chip without cells cannot be verified.
    fn start<const ERASE: usize>(
        &self,
        options: Options,
    ) -> Result<SerialNor<Self, Self, ERASE>, Error<Infallible>> {
        Ok(SerialNor::new(self.clone(), self.clone(), options.with_verify(false))?)
    }

    /// A started driver, with an empty log.
    fn started(&self, options: Options) -> SerialNor<Self, Self> {
        let driver = self.start(options).unwrap();
        self.log.borrow_mut().clear();
        driver
    }

    /// The frames sent, without the status reads.
    fn sent(&self) -> Vec<Vec<u8>> {
        self.log.borrow_mut().drain(..).filter(|sent| sent[0] != 0x05).collect()
    }
}

impl ErrorType for MockChip {
    type Error = Infallible;
}

impl DelayNs for MockChip {
    fn delay_ns(&mut self, time: u32) {
        *self.slept_us.borrow_mut() += u64::from(time) / 1000;
    }

    fn delay_us(&mut self, time: u32) {
        *self.slept_us.borrow_mut() += u64::from(time);
    }
}

impl SpiDevice for MockChip {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Infallible> {
        let mut sent = Vec::new();
        for operation in operations {
            match operation {
                Operation::Write(bytes) => sent.extend_from_slice(bytes),
                Operation::Read(out) => match sent[..] {
                    [0x05] => {
                        let busy = u8::from(std::mem::take(&mut self.is_busy));
                        out.fill(self.status | busy | if self.latch { 2 } else { 0 });
                    }
                    [0x70] => out.fill(self.flags),
                    [0x9F] => {
                        out.fill(0);
                        out[..3].copy_from_slice(&self.id);
                    }
                    [0x5A, a, b, c, _] => {
                        let at = u32::from_be_bytes([0, a, b, c]) as usize;
                        for (byte, at) in out.iter_mut().zip(at..) {
                            *byte = self.tables.get(at).copied().unwrap_or(0xFF);
                        }
                    }
                    _ => out.fill(0xFF),
                },
                other => panic!("the driver does not use {other:?}"),
            }
        }
        self.is_busy |= self.latch && sent.len() > 3;
        self.latch = sent == [0x06] || self.latch && sent == [0x05];
        self.log.borrow_mut().push(sent);
        Ok(())
    }
}

fn erases<const ERASE: usize>(driver: &SerialNor<MockChip, MockChip, ERASE>) -> Vec<(u32, u8)> {
    let types = driver.chip().erase_types;
    types.iter().flatten().map(|erase| (erase.bytes, erase.opcode)).collect()
}

// Expected values: the table and the notes in `tests/sfdp/README.md`.
#[test]
fn each_real_chip_is_used_as_its_tables_say_or_refused() {
    use Addressing::{FourByteMode, FourByteOpcodes, Three};
    let usual = [(4 << 10, 0x20), (32 << 10, 0x52), (64 << 10, 0xD8)];
    let mode = FourByteMode { write_enable: false };
    for (name, capacity, page, addressing, types) in [
        // The 32 KiB type has no command with four address bytes.
        ("mt25qu256a", 32 << 20, 256, FourByteOpcodes, &[(4 << 10, 0x21), (64 << 10, 0xDC)][..]),
        // The tables say three address bytes only, but the chip has 32 MiB and B7h.
        ("is25wp256", 32 << 20, 256, mode, &usual),
        ("at25ql128a", 16 << 20, 256, Three, &usual),
        ("mx25l3233f", 4 << 20, 256, Three, &usual),
        ("bh25q128as", 16 << 20, 256, Three, &usual),
        (
            "mx66l1g45g",
            128 << 20,
            256,
            FourByteOpcodes,
            &[(4 << 10, 0x21), (32 << 10, 0x5C), (64 << 10, 0xDC)],
        ),
        ("mx66uw1g345g", 128 << 20, 256, FourByteOpcodes, &[(4 << 10, 0x21), (64 << 10, 0xDC)]),
        ("mx25uw6345g", 8 << 20, 256, FourByteOpcodes, &[(4 << 10, 0x21), (64 << 10, 0xDC)]),
        // The largest erase is 128 KiB here.
        (
            "mt35xu01g",
            128 << 20,
            256,
            FourByteOpcodes,
            &[(4 << 10, 0x21), (32 << 10, 0x5C), (128 << 10, 0xDC)],
        ),
    ] {
        let driver = MockChip::of(name).start::<4096>(Options::new()).unwrap();
        let chip = driver.chip();
        assert_eq!(chip.capacity, capacity, "{name}");
        assert_eq!(driver.capacity() as u64, capacity, "{name}");
        assert_eq!((chip.page_bytes, chip.addressing), (page, addressing), "{name}");
        assert_eq!(erases(&driver), types, "{name}");
    }
    for (name, error) in [
        // One command is listed for two sizes.
        ("s25fs256t", Error::UnclearEraseTypes),
        // A sector map says which size is valid where.
        ("s28hs02gt", Error::UnclearEraseTypes),
        // 32 MiB, and tables of the first revision do not say how to address them.
        ("n25q256a", Error::FourByteAddresses),
        ("mx25l25635e", Error::FourByteAddresses),
        ("mx25l25635f", Error::FourByteAddresses),
    ] {
        let driver = MockChip::of(name).start::<4096>(Options::new());
        assert_eq!(driver.err(), Some(error), "{name}");
    }
}

#[test]
fn a_data_sheet_corrects_the_tables() {
    let options = |sheet| Options::new().with_data_sheet(sheet);
    let sheet = DataSheet::new().with_capacity(16 << 20);
    let driver = MockChip::of("zd25q128c_wrong_density").start::<4096>(options(sheet)).unwrap();
    assert_eq!(driver.capacity(), 16 << 20);
    // The smallest type is 256 bytes with command 81h.
    assert_eq!(erases(&driver)[0], (256, 0x81));
    let mode = DataSheet::new().with_four_byte(FourByte::Mode { write_enable: true });
    let chip = MockChip::of("n25q256a");
    let driver = chip.start::<4096>(options(mode)).unwrap();
    assert_eq!(driver.chip().addressing, Addressing::FourByteMode { write_enable: true });
    let sent = chip.sent();
    let once = [vec![0x06], vec![0xB7]];
    assert_eq!(sent[sent.len() - 5..], [&once[..], &once, &[vec![0x04]]].concat());
    let half = DataSheet::new().with_capacity(16 << 20);
    let driver = MockChip::of("n25q256a").start::<4096>(options(half)).unwrap();
    assert_eq!(driver.chip().addressing, Addressing::Three);
    let erase = |bytes, opcode| Some(EraseType { bytes, opcode, times: None });
    let types = DataSheet::new().with_erase_types([erase(128 << 10, 0xD8), None, None, None]);
    let chip = MockChip::of("s25fs256t");
    assert_eq!(
        chip.start::<4096>(options(types)).err(),
        Some(Error::EraseSize { smallest: 128 << 10 })
    );
    let driver = chip.start::<{ 128 << 10 }>(options(types)).unwrap();
    assert_eq!(erases(&driver), [(128 << 10, 0xDC)]);
}

#[test]
fn without_tables_a_data_sheet_is_needed() {
    let chip = MockChip::new(vec![0; 16]);
    let error = chip.start::<4096>(Options::new()).unwrap_err();
    assert_eq!(error, Error::NoTables(SfdpError::NoSignature));
    assert!(error.to_string().contains("data sheet"), "{error}");
    let erase = Some(EraseType { bytes: 4096, opcode: 0x20, times: None });
    let sheet = DataSheet::new().with_capacity(1 << 20).with_erase_types([erase, None, None, None]);
    let driver = chip.start::<4096>(Options::new().with_data_sheet(sheet)).unwrap();
    assert_eq!((driver.capacity(), driver.chip().page_bytes), (1 << 20, 256));
    let garbled = MockChip { id: [0xC0, 0x20, 0x1B], ..chip };
    let error = garbled.start::<4096>(Options::new()).unwrap_err();
    assert!(matches!(error, Error::BadId(id) if id.manufacturer == 0xC0), "{error}");
}

#[test]
fn a_bus_without_a_chip_is_not_taken_for_a_busy_chip() {
    for (level, status) in [(0x00, 0x00), (0xFF, 0xFF)] {
        let nothing = MockChip { id: [level; 3], status, ..MockChip::new(vec![level; 64]) };
        let slept = nothing.slept_us.clone();
        let started = nothing.start::<4096>(Options::new());
        // The answer is zero after the three ID bytes, like the line in the first case.
        assert_eq!(started.err(), Some(Error::BusStuck(level)));
        assert!(*slept.borrow() < 2_000_000, "{}", slept.borrow());
    }
    let busy = MockChip { status: 0x03, ..MockChip::of("mx66l1g45g") };
    let options = Options::new().with_start_timeout_us(3_000_000);
    assert_eq!(
        busy.start::<4096>(options).err(),
        Some(Error::StillBusy { work: Work::Start, status: 0x03 })
    );
    let slept = *busy.slept_us.borrow();
    assert!((3_000_000..3_100_000).contains(&slept), "{slept}");
}

#[test]
fn frames_are_those_of_the_standard() {
    let chip = MockChip::of("mx66l1g45g");
    let mut flash = chip.started(Options::new());
    let data: Vec<u8> = (0..0x120).map(|byte| byte as u8).collect();
    flash.write(0x0123_45F0, &data).unwrap();
    flash.erase(0x0100_F000, 0x0102_1000).unwrap();
    flash.read(0x0765_4321, &mut [0; 3]).unwrap();
    let frame = |head: &[u8], data: &[u8]| [head, data].concat();
    assert_eq!(
        chip.sent(),
        [
            vec![0x06],
            // The end of one page, a whole page, the rest.
            frame(&[0x12, 0x01, 0x23, 0x45, 0xF0], &data[..0x10]),
            vec![0x06],
            frame(&[0x12, 0x01, 0x23, 0x46, 0x00], &data[0x10..0x110]),
            vec![0x06],
            frame(&[0x12, 0x01, 0x23, 0x47, 0x00], &data[0x110..]),
            vec![0x06],
            vec![0x21, 0x01, 0x00, 0xF0, 0x00],
            vec![0x06],
            vec![0xDC, 0x01, 0x01, 0x00, 0x00],
            vec![0x06],
            vec![0x21, 0x01, 0x02, 0x00, 0x00],
            vec![0x13, 0x07, 0x65, 0x43, 0x21],
        ]
    );
    let chip = MockChip::of("at25ql128a");
    let mut flash = chip.started(Options::new().with_fast_read(true).with_transfer_bytes(32));
    flash.read(0xAB_CDEF, &mut [0; 40]).unwrap();
    flash.write(0x10, &[0x55; 30]).unwrap();
    assert_eq!(
        chip.sent(),
        [
            vec![0x0B, 0xAB, 0xCD, 0xEF, 0],
            vec![0x0B, 0xAB, 0xCE, 0x0A, 0],
            vec![0x06],
            frame(&[0x02, 0, 0, 0x10], &[0x55; 28]),
            vec![0x06],
            frame(&[0x02, 0, 0, 0x2C], &[0x55; 2]),
        ]
    );
    flash.power_down().unwrap();
    flash.read(0, &mut [0]).unwrap();
    flash.reset().unwrap();
    // AT25QL128A lists 66h and 99h: bits 13:8 of DWORD 16 are 010000.
    let mut frames = vec![vec![0xB9], vec![0xAB], vec![0xAB], vec![0x04]];
    frames.extend([vec![0x0B, 0, 0, 0, 0], vec![0x66], vec![0x99], vec![0x04]]);
    assert_eq!(chip.sent(), frames);
}

#[test]
fn units_of_error_correction_are_never_split() {
    let chip = MockChip::of("mx66l1g45g");
    let options = Options::new().with_transfer_bytes(40).with_verify(false);
    let mut flash: SerialNor<_, _, 4096, 16> =
        SerialNor::new(chip.clone(), chip.clone(), options).unwrap();
    chip.sent();
    assert_eq!(flash.write(8, &[0; 16]), Err(Error::NotAligned));
    assert_eq!(flash.write(16, &[0; 8]), Err(Error::NotAligned));
    flash.write(0xE0, &[0; 80]).unwrap();
    let programs: Vec<usize> =
        chip.sent().iter().filter(|sent| sent[0] == 0x12).map(|sent| sent.len() - 5).collect();
    assert_eq!(programs, [32, 32, 16]);
}

#[test]
fn failures_in_the_flag_status_are_reported() {
    // Micron MT25QL256 data sheet: bit 5 erase, bit 4 program, bit 1 protection.
    let chip = MockChip::of("mt25qu256a");
    assert!(chip.started(Options::new()).chip().polls_flag_status);
    let failing = MockChip { flags: 0x90, ..chip };
    // A failure from before the start is cleared, not reported.
    let mut flash = failing.start::<4096>(Options::new()).unwrap();
    assert!(failing.sent().contains(&vec![0x50]));
    let failed = Error::Failed { work: Work::Program, flag_status: 0x90 };
    assert_eq!(flash.write(0, &[0]), Err(failed));
    let sent = failing.sent();
    assert_eq!(sent[sent.len() - 3..], [vec![0x70], vec![0x50], vec![0x04]]);
}

#[test]
fn ranges_are_checked() {
    let mut flash = MockChip::of("at25ql128a").started(Options::new());
    let end = 16 << 20;
    assert_eq!(flash.read(end - 1, &mut [0; 2]), Err(Error::OutOfBounds));
    assert_eq!(flash.read(u32::MAX, &mut [0; 2]), Err(Error::OutOfBounds));
    assert_eq!(flash.write(end, &[0]), Err(Error::OutOfBounds));
    assert_eq!(flash.erase(0, end + 4096), Err(Error::OutOfBounds));
    assert_eq!(flash.erase(4096, 0), Err(Error::OutOfBounds));
    assert_eq!(flash.erase(0, 2048), Err(Error::NotAligned));
    assert_eq!(flash.erase(512, 4096).unwrap_err().kind(), NorFlashErrorKind::NotAligned);
    flash.erase(4096, 4096).unwrap();
    flash.read(end, &mut []).unwrap();
    flash.write(end, &[]).unwrap();
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 512, ..ProptestConfig::default() })]

    /// Whatever the tables say, the driver returns an error or works without a panic and keeps to
    /// its transfer limit.
    #[test]
    fn no_tables_make_the_driver_panic(
        changes in prop::collection::vec((0x18_usize..0x90, any::<u8>()), 1..6),
        name in prop::sample::select(vec!["mx66l1g45g", "mt25qu256a", "is25wp256", "zd25q128c_wrong_density"]),
        at: u32,
    ) {
        let mut chip = MockChip::of(name);
        for (at, value) in changes {
            if let Some(byte) = chip.tables.get_mut(at) {
                *byte = value;
            }
        }
        let Ok(mut flash) = chip.start::<4096>(Options::new().with_transfer_bytes(64)) else {
            return Ok(());
        };
        let at = u64::from(at) % flash.chip().capacity.max(1);
        let at = (at - at % 4096) as u32;
        chip.log.borrow_mut().clear();
        let _ = flash.write(at, &[0; 100]);
        let _ = flash.read(at, &mut [0; 100]);
        let _ = flash.erase(at, at.saturating_add(8192));
        for sent in chip.sent() {
            prop_assert!(sent.len() <= 64);
        }
    }
}
