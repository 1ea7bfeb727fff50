//! Goal: the driver programs and erases the right bytes, also if commands get lost, the chip is
//! asleep or in another address mode, or the tables are unusual.
//!
//! Method: a mock chip with cells, address mode and deep power-down; a mistake of the driver shows
//! in its bytes. The chip follows the data sheets named in `faultsim/src/part/spi`. The changes to
//! the tables of real chips, and the faults, are invented.

mod mock;

use embedded_hal::spi::SpiDevice;
use embedded_storage::nor_flash::{NorFlash, ReadNorFlash};
use outlast_serialnor::{Addressing, DataSheet, EraseType, FourByte, Options, Work};

use mock::{Chip, Error, Failed, Flash, State};

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
    // The command to wake it gets lost once.
    flash.power_down().unwrap();
    chip.0.borrow_mut().wakes_lost = 1;
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
    // Longer than the time in which the chip may inhibit writing.
    let error = lost(20).start::<4096, 1>(options).err();
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
