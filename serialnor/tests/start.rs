//! Goal: the driver starts with a chip in any state that power-up, a boot ROM or earlier firmware
//! may have left, and gives back what it was given if it does not. Method: a mock chip in each of
//! these states, with a reset pin. The times and the commands that end a mode are from memory of
//! data sheets.

mod mock;

use std::convert::Infallible;

use embedded_hal::digital::{ErrorType, OutputPin};
use embedded_storage::nor_flash::{NorFlash, ReadNorFlash};
use outlast_serialnor::{
    Addressing, DataSheet, EraseType, FourByte, JedecId, NotStarted, Options, SerialNor, Work,
    pulse_reset,
};

use mock::{Chip, Error, Flash, State};

fn works(flash: &mut Flash, chip: &Chip, at: u32) {
    flash.write(at, b"hello").unwrap();
    assert_eq!(chip.0.borrow().cells.keys().next(), Some(&at));
    let mut bytes = [0; 5];
    flash.read(at, &mut bytes).unwrap();
    assert_eq!(&bytes, b"hello");
    flash.erase(at & !0xFFF, (at & !0xFFF) + 4096).unwrap();
    assert!(chip.0.borrow().cells.is_empty());
}

#[test]
fn a_chip_whose_supply_just_came_up_is_waited_for() {
    for (silent, inhibits) in [(0, 9_900_000), (5_000_000, 12_000_000), (9_000_000, 9_000_000)] {
        for floating in [0x00, 0xFF] {
            let chip = Chip::of("mx66l1g45g", |state| {
                (state.silent_until, state.inhibits_until) = (silent, inhibits);
                state.floating = floating;
            });
            let mut flash: Flash = chip.start(Options::new()).unwrap();
            works(&mut flash, &chip, 0x12_3400);
        }
    }
    let chip = Chip::of("mx66l1g45g", |state| state.inhibits_until = 40_000_000);
    let mut flash: Flash = chip.start(Options::new()).unwrap();
    assert_eq!(flash.write(0, &[0]), Err(Error::WriteEnableIgnored { status: 0 }));
    let chip = Chip::of("mx66l1g45g", |state| state.inhibits_until = 40_000_000);
    let mut flash: Flash = chip.start(Options::new().with_power_up_us(50_000)).unwrap();
    works(&mut flash, &chip, 0x12_3400);
}

#[test]
fn continuous_reading_is_left() {
    let left = |state: &mut State| state.reads_on = true;
    let chip = Chip::of("at25ql128a", left);
    let mut flash: Flash = chip.start(Options::new()).unwrap();
    works(&mut flash, &chip, 0x12_3400);
    // The chip takes all commands for addresses.
    let chip = Chip::of("at25ql128a", left);
    let error = chip.start::<4096, 1>(Options::new().with_mode_exit(false)).err();
    assert_eq!(error, Some(Error::BusStuck(0xFF)));
}

/// The chip's reset pin.
struct Pin(Chip);

impl ErrorType for Pin {
    type Error = Infallible;
}

impl OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.0.0.borrow_mut().reset();
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        Ok(())
    }
}

#[test]
fn the_reset_pin_ends_what_nothing_else_ends() {
    let chip = Chip::of("is25wp256", |state| state.busy_until = u64::MAX);
    let options = Options::new().with_start_timeout_us(2_000_000);
    let start = || -> Result<Flash, NotStarted<Chip, Chip>> {
        SerialNor::new(chip.clone(), chip.clone(), options)
    };
    let mut not_started = start().unwrap_err();
    assert_eq!(not_started.error, Error::StillBusy { work: Work::Start, status: 1 });
    pulse_reset(&mut Pin(chip.clone()), &mut not_started.delay).unwrap();
    let mut flash: Flash = SerialNor::new(not_started.spi, not_started.delay, options).unwrap();
    works(&mut flash, &chip, 0x12_3400);
    chip.0.borrow_mut().busy_until = u64::MAX;
    assert!(matches!(flash.write(0, &[0]), Err(Error::WriteEnableIgnored { .. })));
    assert!(matches!(flash.read(0, &mut [0]), Err(Error::StillBusy { .. })));
    // The address mode is set again.
    flash.reset_by_pin(&mut Pin(chip.clone())).unwrap();
    works(&mut flash, &chip, 0x12_3400);
}

#[test]
fn a_failed_start_gives_back_what_it_was_given() {
    let chip = Chip::of("n25q256a", |_| ());
    let failed: Result<Flash, _> = SerialNor::new(chip.clone(), chip.clone(), Options::new());
    let failed = failed.unwrap_err();
    assert_eq!(failed.error, Error::FourByteAddresses);
    let id = JedecId { bank: 1, manufacturer: 0xC2, device: [0x20, 0x19] };
    assert_eq!(failed.id, Some(id));
    assert!(failed.to_string().ends_with("(chip c2 20 19, bank 1)"), "{failed}");
    let mode = DataSheet::new().with_four_byte(FourByte::Mode { write_enable: false });
    let options = Options::new().with_data_sheet(mode);
    let mut flash: Flash = SerialNor::new(failed.spi, failed.delay, options).unwrap();
    works(&mut flash, &chip, 0x12_3400);
}

const fn erase(bytes: u32, opcode: u8) -> Option<EraseType> {
    Some(EraseType { bytes, opcode, times: None })
}

/// Parts of 32 MiB whose tables are of the first revision, as one board may carry them. The data
/// sheet of the third chip names commands with four address bytes.
const SHEETS: &[(JedecId, DataSheet)] = &[
    (
        JedecId { bank: 1, manufacturer: 0x20, device: [0xBA, 0x19] },
        DataSheet::new().with_four_byte(FourByte::Mode { write_enable: true }),
    ),
    (
        JedecId { bank: 1, manufacturer: 0xC2, device: [0x20, 0x19] },
        DataSheet::new().with_four_byte(FourByte::Mode { write_enable: false }),
    ),
    (
        JedecId { bank: 1, manufacturer: 0xC2, device: [0x25, 0x39] },
        DataSheet::new()
            .with_erase_types([erase(4 << 10, 0x20), erase(64 << 10, 0xD8), None, None])
            .with_four_byte(FourByte::Opcodes { erase: [Some(0x21), Some(0xDC), None, None] }),
    ),
];

#[test]
fn the_data_sheet_is_chosen_by_the_id() {
    use Addressing::{FourByteMode, FourByteOpcodes};
    for (name, id, needs_latch, addressing) in [
        ("n25q256a", [0x20, 0xBA, 0x19], true, FourByteMode { write_enable: true }),
        ("mx25l25635e", [0xC2, 0x20, 0x19], false, FourByteMode { write_enable: false }),
        ("mx25l25635f", [0xC2, 0x20, 0x19], false, FourByteMode { write_enable: false }),
        ("mx25l25635f", [0xC2, 0x25, 0x39], false, FourByteOpcodes),
        // Not in the list: the tables alone.
        ("mx66l1g45g", [0xC2, 0x20, 0x1B], false, FourByteOpcodes),
    ] {
        let chip = Chip::of(name, |state| {
            (state.id, state.four_needs_latch) = (Some(id), needs_latch);
        });
        let mut flash: Flash = chip.start(Options::new().with_data_sheets(SHEETS)).unwrap();
        assert_eq!(flash.chip().addressing, addressing, "{name} {id:02x?}");
        works(&mut flash, &chip, 0x112_3400);
    }
    let unknown = Chip::of("n25q256a", |state| state.id = Some([0x20, 0xBB, 0x19]));
    let options = Options::new().with_data_sheets(SHEETS);
    assert_eq!(unknown.start::<4096, 1>(options).err(), Some(Error::FourByteAddresses));
    // One wrong reading of the ID chooses no other data sheet.
    for readings_before in 0..2 {
        let chip = Chip::of("n25q256a", |state| {
            (state.id, state.four_needs_latch) = (Some([0x20, 0xBA, 0x19]), true);
            state.misread_id = Some((readings_before, [0xC2, 0x20, 0x19]));
        });
        let flash: Flash = chip.start(options).unwrap();
        assert_eq!(flash.chip().addressing, FourByteMode { write_enable: true });
    }
}
