//! Goal: no call returns `Ok` for something that the chip did not do, and no command lands at
//! another address. Method: a mock chip that ignores or never receives single commands, or forgets
//! its address mode, on a bus that fails or garbles single reads.

mod mock;

use embedded_storage::nor_flash::{NorFlash, ReadNorFlash};
use outlast_serialnor::{DataSheet, FourByte, Options, Work};

use mock::{Chip, Error, Failed, Flash, State};

fn started(name: &str, change: impl FnOnce(&mut State)) -> (Chip, Flash) {
    let chip = Chip::of(name, |_| ());
    let flash = chip.start(Options::new()).unwrap();
    let mut state = chip.0.borrow_mut();
    (state.commands, state.status_reads) = (0, 0);
    state.log.clear();
    change(&mut state);
    drop(state);
    (chip, flash)
}

fn cells(chip: &Chip) -> Vec<u32> {
    chip.0.borrow().cells.keys().copied().collect()
}

// MX25UM25645G, as quoted in a public post-mortem: "If a program or erase instruction is applied to
// a protected memory area, the instruction will be ignored and WEL will clear to 0."
#[test]
fn commands_that_the_chip_ignores_are_reported_whatever_it_does_with_the_latch() {
    for clears_latch in [false, true] {
        let (chip, mut flash) = started("mx66l1g45g", |state| state.clears_latch = clears_latch);
        flash.write(0x1000, b"old").unwrap();
        chip.0.borrow_mut().ignored = u32::MAX;
        let program = if clears_latch {
            Error::Verify { at: 0x2000 }
        } else {
            Error::CommandIgnored(Work::Program)
        };
        assert_eq!(flash.write(0x2000, &[0; 70]), Err(program));
        assert_eq!(flash.erase(0x1000, 0x2000), Err(Error::CommandIgnored(Work::Erase)));
        assert!(!chip.0.borrow().latch);
        assert_eq!(cells(&chip), [0x1000, 0x1001, 0x1002]);
    }
}

#[test]
fn an_erase_that_never_made_the_chip_busy_is_sent_once_more() {
    let (chip, mut flash) =
        started("mx66l1g45g", |state| (state.clears_latch, state.ignored) = (true, 1));
    flash.erase(0x1000, 0x2000).unwrap();
    let erases = chip.0.borrow().log.iter().filter(|sent| sent[0] == 0x21).count();
    assert_eq!(erases, 2);
    // Blank cells look the same without an erase, so only the busy time counts.
    chip.0.borrow_mut().ignored = 2;
    assert_eq!(flash.erase(0x1000, 0x2000), Err(Error::CommandIgnored(Work::Erase)));
}

#[test]
fn a_lost_command_is_reported_and_one_wrong_status_ends_nothing() {
    for wrong in 0..12 {
        for value in [0x00, 0x02, 0x01, 0xFF] {
            let (chip, mut flash) =
                started("mx66l1g45g", |state| state.wrong_status = Some((wrong, value)));
            let written = flash.write(0x2000, b"hello");
            let erased = flash.erase(0x3000, 0x4000);
            assert!(chip.0.borrow().busy_until <= chip.0.borrow().now_ns, "{wrong} {value:#x}");
            assert!(written.is_err() || cells(&chip).len() == 5, "{wrong} {value:#x}");
            assert!(erased.is_ok() || wrong > 0, "{wrong} {value:#x}");
            flash.write(0x3000, b"next").unwrap();
        }
    }
    let (chip, mut flash) = started("mx66l1g45g", |state| state.lost = vec![0, 2]);
    assert_eq!(flash.write(0x2000, b"hello"), Err(Error::CommandIgnored(Work::Program)));
    flash.write(0x2000, b"hello").unwrap();
    assert_eq!(flash.erase(0x2000, 0x3000), Err(Error::CommandIgnored(Work::Erase)));
    assert_eq!(cells(&chip).len(), 5);
}

#[test]
fn the_latch_is_clear_after_an_error_once_the_chip_is_idle() {
    let calls = 40;
    for at in 0..calls {
        for is_after in [false, true] {
            let (chip, mut flash) =
                started("mx66l1g45g", |state| state.fails_at = Some((at, is_after)));
            let written = flash.write(0x2000, b"hello");
            let erased = flash.erase(0x3000, 0x4000);
            let is_over = chip.0.borrow().log.len() <= at;
            let failed = [written, erased].contains(&Err(Error::Bus(Failed)));
            assert_eq!(failed, !is_over, "{at} {written:?} {erased:?}");
            flash.read(0, &mut [0]).unwrap();
            assert!(!chip.0.borrow().latch, "{at}");
            assert!(written.is_err() || cells(&chip).len() == 5, "{at}");
            flash.erase(0x2000, 0x3000).unwrap();
            assert!(cells(&chip).is_empty());
        }
    }
}

#[test]
fn data_are_compared_byte_by_byte_and_second_programs_exactly() {
    let (chip, mut flash) = started("at25ql128a", |_| ());
    chip.0.borrow_mut().cells.insert(0x1000 + 65, 0xFE);
    assert_eq!(flash.write(0x1000, &[0x55; 80]), Err(Error::Verify { at: 0x1000 + 65 }));
    // Clears one more bit, and names ones where there are zeros.
    assert_eq!(flash.write(0x1000, &[0xFE]), Err(Error::Verify { at: 0x1000 }));
    let mut flash: Flash = chip.start(Options::new().with_second_programs(true)).unwrap();
    flash.write(0x1000, &[0xFE; 80]).unwrap();
    let mut byte = [0];
    flash.read(0x1000, &mut byte).unwrap();
    assert_eq!(byte, [0x54]);
    let mut state = chip.0.borrow_mut();
    (state.clears_latch, state.ignored) = (true, 1);
    drop(state);
    assert_eq!(flash.write(0x1000, &[0xFB; 80]), Err(Error::Verify { at: 0x1000 }));
}

/// The mode is entered by B7h only; `is25wp256` shows it in its bank register, `n25q256a` does not.
fn in_mode(name: &str, write_enable: bool) -> (Chip, Result<Flash, Error>) {
    let chip = Chip::of(name, |state| state.four_needs_latch = write_enable);
    let sheet = DataSheet::new().with_four_byte(FourByte::Mode { write_enable });
    let flash = chip.start(Options::new().with_data_sheet(sheet));
    (chip, flash)
}

#[test]
fn a_chip_that_forgets_its_address_mode_is_written_at_the_right_address() {
    for (name, write_enable) in [("is25wp256", false), ("n25q256a", false), ("n25q256a", true)] {
        let (chip, flash) = in_mode(name, write_enable);
        let mut flash = flash.unwrap();
        chip.0.borrow_mut().four = false;
        flash.write(0x12_3400, b"hello").unwrap();
        chip.0.borrow_mut().four = false;
        flash.write(0x34_5600, b"world").unwrap();
        assert_eq!(
            cells(&chip)[..],
            [(0x12_3400..0x12_3405), (0x34_5600..0x34_5605)].map(Vec::from_iter).concat()
        );
        chip.0.borrow_mut().four = false;
        let mut bytes = [0; 5];
        flash.read(0x34_5600, &mut bytes).unwrap();
        assert_eq!(&bytes, b"world");
        chip.0.borrow_mut().four = false;
        flash.erase(0x12_3000, 0x12_4000).unwrap();
        assert_eq!(cells(&chip), (0x34_5600..0x34_5605).collect::<Vec<_>>());
    }
}

#[test]
fn one_lost_command_never_moves_a_write() {
    for (name, write_enable) in [("is25wp256", false), ("n25q256a", false), ("n25q256a", true)] {
        for lost in 0..12 {
            let chip = Chip::of(name, |state| {
                (state.four_needs_latch, state.lost) = (write_enable, vec![lost]);
            });
            let sheet = DataSheet::new().with_four_byte(FourByte::Mode { write_enable });
            let mut flash: Flash = chip.start(Options::new().with_data_sheet(sheet)).unwrap();
            let first = flash.write(0x12_3400, b"hello");
            let second = flash.write(0x12_3500, b"hello");
            let erased = flash.erase(0x12_4000, 0x12_5000);
            let of = |at: u32| cells(&chip).iter().filter(|cell| **cell & !0xFF == at).count();
            assert_eq!(of(0x12_3400), if first.is_ok() { 5 } else { 0 }, "{name} {lost}");
            assert_eq!(of(0x12_3500), if second.is_ok() { 5 } else { 0 }, "{name} {lost}");
            assert_eq!(cells(&chip).len(), of(0x12_3400) + of(0x12_3500), "{name} {lost}");
            assert!([first, second, erased].iter().filter(|result| result.is_err()).count() <= 1);
        }
    }
}

// Before the first program the driver cannot know whether the latch got lost with the supply.
#[test]
fn a_mode_command_that_clears_the_latch_is_noticed() {
    let (chip, flash) = in_mode("n25q256a", true);
    let mut flash = flash.unwrap();
    chip.0.borrow_mut().mode_clears_latch = true;
    let mut modes = Vec::new();
    for at in [0x12_3400, 0x12_3500, 0x12_3600] {
        chip.0.borrow_mut().log.clear();
        flash.write(at, b"hello").unwrap();
        // Without those of reading back.
        let log = chip.0.borrow().log.clone();
        let sent = log.iter().take_while(|sent| sent[0] != 0x02);
        modes.push(sent.filter(|sent| **sent == [0xB7]).count());
    }
    assert_eq!(modes, [2, 1, 1]);
    assert_eq!(cells(&chip).len(), 15);
}

#[test]
fn a_chip_that_does_not_enter_the_mode_is_refused_if_it_shows_that() {
    let chip = Chip::of("is25wp256", |state| state.ignores_mode = true);
    let error = chip.start::<4096, 1>(Options::new()).err();
    assert_eq!(error, Some(Error::AddressMode { value: 0 }));
    let (chip, flash) = in_mode("is25wp256", false);
    let mut flash = flash.unwrap();
    let mut state = chip.0.borrow_mut();
    (state.four, state.ignores_mode) = (false, true);
    drop(state);
    assert_eq!(flash.write(0x12_3400, b"hello"), Err(Error::AddressMode { value: 0 }));
    assert_eq!(flash.erase(0x12_3000, 0x12_4000), Err(Error::AddressMode { value: 0 }));
    assert_eq!(cells(&chip), []);
}

#[test]
fn work_is_begun_and_asked_about() {
    let (chip, mut flash) = started("mx66l1g45g", |_| ());
    let data: Vec<u8> = (0..=255).chain(0..100).collect();
    assert_eq!(flash.begin_program(0x2010, &data), Ok(0xF0));
    assert_eq!(flash.is_done(), Ok(false));
    let mut asked = 0;
    while !flash.is_done().unwrap() {
        asked += 1;
        // The mock's time passes with each byte on the bus.
        assert!(asked < 1_000);
    }
    assert_eq!(flash.is_done(), Ok(true));
    assert_eq!(cells(&chip).len(), 0xF0);
    flash.begin_erase(0x2000, 0x4000).unwrap();
    // A read finishes both commands first.
    let mut byte = [0];
    flash.read(0x2020, &mut byte).unwrap();
    assert_eq!((byte, cells(&chip).len()), ([0xFF], 0));
    flash.begin_program(0x2000, &data).unwrap();
    flash.finish().unwrap();
    let (chip, mut flash) =
        started("mx66l1g45g", |state| (state.clears_latch, state.ignored) = (true, 1));
    flash.begin_program(0x2000, &data).unwrap();
    assert_eq!(flash.finish(), Err(Error::Verify { at: 0x2000 }));
    assert_eq!(flash.begin_program(0x2001, &[]), Ok(0));
    flash.power_down().unwrap();
    assert_eq!(flash.is_done(), Ok(true));
    assert!(chip.0.borrow().asleep_from.is_some());
    let released = flash.release();
    assert_eq!((released.work, released.is_asleep), (None, true));
    let (_, mut flash) = started("mx66l1g45g", |_| ());
    flash.begin_erase(0x2000, 0x3000).unwrap();
    assert_eq!(flash.release().work, Some(Work::Erase));
}
