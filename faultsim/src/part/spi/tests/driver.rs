//! The driver on the simulated chip.
//!
//! Goal: the driver works with every kind of chip and reports what goes wrong on the bus or in the
//! chip. Method: each test starts it on a chip in a given state, then compares its results and
//! errors with what reached the cells.

use embedded_hal::spi::{ErrorType, Operation, SpiDevice};
use embedded_storage::nor_flash::{NorFlash, ReadNorFlash};
use outlast_serialnor::{
    DataSheet, EraseType, Error, Options, ProtectedBy, SerialNor, StatusWrite, Work,
};

use crate::part::spi::{BusError, Pause, Profile, SpiChip};
use crate::part::{BusCut, Busy, Chip, Geometry, Part, Tear, Work as Under};

type Flash<SPI = SpiChip> = SerialNor<SPI, Pause, 4096>;

fn geometry() -> Geometry {
    // Two blocks of 64 KiB.
    Geometry::new(32, 4096, 1, 256).unwrap()
}

fn part() -> Part {
    Part::new(Chip::new(geometry()))
}

fn start(part: &Part, profile: Profile, options: Options) -> Result<Flash, Error<BusError>> {
    let spi = SpiChip::new(part, profile);
    let pause = spi.pause();
    Ok(SerialNor::new(spi, pause, options)?)
}

fn large() -> Profile {
    Profile::mx66l1g45g(&geometry())
}

const BASE: u32 = (16 << 20) - (64 << 10);

fn works(flash: &mut Flash, at: u32) {
    let data: Vec<u8> = (0..600).map(|byte| byte as u8).collect();
    flash.write(at, &data).unwrap();
    let mut read = vec![0; 600];
    flash.read(at, &mut read).unwrap();
    assert_eq!(read, data);
    let sector = at - at % 4096;
    flash.erase(sector, sector + 4096).unwrap();
    flash.read(at, &mut read).unwrap();
    assert!(read.iter().all(|byte| *byte == 0xFF));
}

#[test]
fn every_address_mode_works() {
    let g = geometry();
    for (profile, at) in [
        (large(), BASE + 0xFFF0),
        (Profile::invented(&g), BASE + 0xFFF0),
        (Profile::invented(&g).with_address_mode(), BASE + 0xFFF0),
        (Profile::invented(&g).with_latched_address_mode(), BASE + 0xFFF0),
        (Profile::invented(&g).small(&g), 0xFFF0),
    ] {
        let part = part();
        let mut flash = start(&part, profile, Options::new()).unwrap();
        // In the large chips: on both sides of what three address bytes reach, and across the
        // limit.
        works(&mut flash, at & !0xFFF);
        works(&mut flash, at + 0x13);
        flash.write(at, &[0x11; 32]).unwrap();
        assert_eq!(part.chip().image().bytes()[0xFFF0..0x1_0010], [0x11; 32]);
        assert!(part.chip().violations().is_empty());
    }
}

#[test]
fn large_erases_are_used_for_large_ranges() {
    let part = part();
    let mut flash = start(&part, large(), Options::new()).unwrap();
    flash.write(BASE, &[0; 16]).unwrap();
    let before = part.chip().volatile().enables;
    flash.erase(BASE + 0x8000, BASE + 0x2_0000).unwrap();
    // One erase of 32 KiB and one of 64 KiB.
    assert_eq!(part.chip().volatile().enables - before, 2);
    assert_eq!(part.chip().counts().erases, 24);
    assert_eq!(part.chip().image().bytes()[..16], [0; 16]);
}

#[test]
fn a_host_with_short_transfers_works() {
    let part = part();
    let host = |part: &Part| {
        let spi = SpiChip::new(part, large()).with_longest_transfer(250);
        let pause = spi.pause();
        (spi, pause)
    };
    let (spi, pause) = host(&part);
    let long = Options::new().with_verify(false);
    let mut flash: Flash = SerialNor::new(spi, pause, long).unwrap();
    assert_eq!(flash.write(BASE, &[0; 256]), Err(Error::Bus(BusError::TooLong)));
    let (spi, pause) = host(&part);
    let options = Options::new().with_transfer_bytes(250);
    let mut flash: Flash = SerialNor::new(spi, pause, options).unwrap();
    works(&mut flash, BASE + 0x1003);
}

#[test]
fn protection_is_reported_before_writing() {
    let part = part();
    let profile = || large().with_protection(0x1C);
    let mut flash = start(&part, profile(), Options::new()).unwrap();
    let protected = Error::Protected {
        status: 0x1E,
        by: ProtectedBy::StatusBits(0x1C),
        first: 0,
        last: (128 << 20) - 1,
    };
    assert_eq!(flash.write(BASE, &[0]), Err(protected));
    assert_eq!(flash.erase(BASE, BASE + 4096), Err(protected));
    assert!(!part.chip().volatile().latch);
    // A chip that protects its blocks without showing it in its status: the driver notices that
    // nothing happened, or that the latch is still set.
    let sheet = DataSheet::new().with_protection_mask(0);
    let options = Options::new().with_data_sheet(sheet);
    let ignored = Error::CommandIgnored(Work::Program);
    for (profile, program) in
        [(profile(), Error::Verify { at: BASE }), (profile().with_other_refusals(), ignored)]
    {
        let mut flash = start(&part, profile, options).unwrap();
        assert_eq!(flash.write(BASE, &[0]), Err(program));
        assert_eq!(flash.erase(BASE, BASE + 4096), Err(Error::CommandIgnored(Work::Erase)));
    }
    assert_eq!(part.chip().image().bytes()[0], 0xFF);
}

#[test]
fn a_wrong_erase_command_is_reported() {
    let part = part();
    let erase = Some(EraseType { bytes: 4096, opcode: 0xD7, times: None });
    let sheet = DataSheet::new().with_erase_types([erase, None, None, None]);
    let small = Profile::invented(&geometry()).small(&geometry());
    let mut flash = start(&part, small, Options::new().with_data_sheet(sheet)).unwrap();
    assert_eq!(flash.erase(0, 4096), Err(Error::CommandIgnored(Work::Erase)));
}

#[test]
fn a_lost_write_enable_is_repeated() {
    let part = part();
    let mut flash = start(&part, large().missing_one_enable_of(2), Options::new()).unwrap();
    works(&mut flash, BASE);
    let mut flash = start(&part, large().missing_one_enable_of(1), Options::new()).unwrap();
    assert_eq!(flash.write(BASE, &[0]), Err(Error::WriteEnableIgnored { status: 0 }));
    assert_eq!(part.chip().image().bytes()[0], 0xFF);
    // The write enable before B7h is the second one, counted from power-up.
    let part = self::part();
    part.chip_mut().volatile_mut().enables = 1;
    let profile = Profile::invented(&geometry()).with_latched_address_mode();
    let mut flash = start(&part, profile.missing_one_enable_of(2), Options::new()).unwrap();
    works(&mut flash, BASE);
}

#[test]
fn write_enable_that_is_ignored_after_power_up_is_repeated() {
    let part = part();
    let profile = large().with_write_inhibit_us(10_000);
    works(&mut start(&part, profile, Options::new()).unwrap(), BASE);
}

#[test]
fn protection_is_taken_away() {
    let part = part();
    let volatile = StatusWrite { volatile_enable: Some(0x50), with_second: false };
    for enable in [volatile, StatusWrite { volatile_enable: None, ..volatile }] {
        part.chip_mut().volatile_mut().protection = Some(0x1C);
        let sheet = DataSheet::new().with_status_write(enable);
        let options = Options::new().with_data_sheet(sheet);
        let mut flash = start(&part, large(), options).unwrap();
        assert!(matches!(flash.write(BASE, &[0]), Err(Error::Protected { .. })));
        if enable == volatile {
            flash.unprotect().unwrap();
        } else {
            flash.unprotect_for_good().unwrap();
        }
        works(&mut flash, BASE);
    }
}

/// A part in the state that a reset of the microcontroller may leave.
fn left(change: impl FnOnce(&mut Chip)) -> Part {
    let part = part();
    change(&mut part.chip_mut());
    part
}

#[test]
fn every_state_left_by_a_reset_is_handled() {
    let busy = |time| {
        left(|chip| {
            let work = Under::Program(vec![(0x100, vec![0x5A])]);
            chip.volatile_mut().busy = Some(Busy { work, from_ns: 0, until_ns: time });
        })
    };
    let part = busy(2_000_000_000);
    let mut flash = start(&part, large(), Options::new()).unwrap();
    let mut byte = [0];
    flash.read(BASE + 0x100, &mut byte).unwrap();
    assert_eq!(byte, [0x5A]);
    let part = busy(30_000_000_000);
    assert_eq!(
        start(&part, large(), Options::new()).err(),
        Some(Error::StillBusy { work: Work::Start, status: 0x01 })
    );
    let part = left(|chip| chip.volatile_mut().asleep = true);
    works(&mut start(&part, large(), Options::new()).unwrap(), BASE);
    let part = left(|chip| {
        let volatile = chip.volatile_mut();
        (volatile.four_byte, volatile.latch) = (true, true);
    });
    let small = Profile::invented(&geometry()).small(&geometry());
    works(&mut start(&part, small, Options::new()).unwrap(), 0x3000);
    works(&mut start(&part, large(), Options::new()).unwrap(), BASE);
}

#[test]
fn a_reset_waits_for_the_chip() {
    let part = left(|chip| {
        let work = Under::Erase { from: 0, to: 4096 };
        chip.volatile_mut().busy = Some(Busy { work, from_ns: 0, until_ns: 50_000_000 });
    });
    let mut flash = start(&part, large(), Options::new().with_reset(true)).unwrap();
    flash.reset().unwrap();
    assert!(part.chip().violations().is_empty());
    works(&mut flash, BASE);
    flash.power_down().unwrap();
    assert!(part.chip().volatile().asleep);
    works(&mut flash, BASE);
}

/// A device that damages the data of programs, or shows a chip that never completes them.
struct Bad {
    spi: SpiChip,
    damages: bool,
    hangs: bool,
    busy: bool,
}

impl ErrorType for Bad {
    type Error = BusError;
}

impl SpiDevice for Bad {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), BusError> {
        match operations {
            [Operation::Write([0x12, head @ ..]), Operation::Write(data)] => {
                let mut data = data.to_vec();
                if self.damages {
                    data[33] ^= 0x10;
                }
                self.busy = self.hangs;
                let head = [&[0x12][..], head].concat();
                self.spi.transaction(&mut [Operation::Write(&head), Operation::Write(&data)])
            }
            [Operation::Write([0x05]), Operation::Read(out)] if self.busy => {
                out.fill(0x03);
                Ok(())
            }
            other => self.spi.transaction(other),
        }
    }
}

#[test]
fn verifying_finds_damage_on_the_bus() {
    let part = part();
    let bad = |damages, hangs| {
        let spi = SpiChip::new(&part, large());
        let pause = spi.pause();
        let options = Options::new().with_verify(true);
        let bad = Bad { spi, damages, hangs, busy: false };
        SerialNor::<_, _, 4096>::new(bad, pause, options).unwrap()
    };
    let mut flash = bad(true, false);
    assert_eq!(flash.write(BASE, &[0xAA; 64]), Err(Error::Verify { at: BASE + 33 }));
    flash.erase(BASE, BASE + 4096).unwrap();
    let mut flash = bad(false, true);
    let before = part.chip().volatile().now_ns;
    assert_eq!(
        flash.write(BASE, &[0xAA; 64]),
        Err(Error::StillBusy { work: Work::Program, status: 0x03 })
    );
    let waited = part.chip().volatile().now_ns - before;
    assert!((10_000_000..20_000_000).contains(&waited), "{waited}");
    // The next call waits for the chip again.
    assert_eq!(
        flash.read(BASE, &mut [0]),
        Err(Error::StillBusy { work: Work::Program, status: 0x03 })
    );
}

#[test]
fn ok_means_done_whenever_the_supply_of_the_chip_fails() {
    let invented = || Profile::invented(&geometry());
    let modes = [invented().with_address_mode(), invented().with_latched_address_mode()];
    for profile in [large()].into_iter().chain(modes) {
        let mut refused = 0;
        for moment in 0..900 {
            let part = part();
            let mut flash = start(&part, profile.clone(), Options::new()).unwrap();
            flash.write(BASE, b"old").unwrap();
            let now = part.chip().bus_moments();
            let tear = if moment % 2 == 0 { Tear::NOTHING } else { Tear::EVERYTHING };
            part.chip_mut().cut_on_bus(now + moment, BusCut::Dip(tear.into()));
            let written = flash.write(BASE + 0x1080, &[0x5A; 300]);
            let erased = flash.erase(BASE, BASE + 4096);
            let image = part.chip().image().bytes().to_vec();
            assert!(written.is_err() || image[0x1080..0x11AC] == [0x5A; 300], "{moment}");
            assert!(erased.is_err() || image[..4096] == [0xFF; 4096], "{moment}");
            assert_eq!(part.chip().volatile().strays, 0);
            refused += u32::from(written.is_err()) + u32::from(erased.is_err());
        }
        assert!(refused > 300, "{refused}");
    }
}

// 8 clocks per byte at 50 MHz. The documentation of `with_verify` states these times.
#[test]
fn verifying_costs_the_time_of_reading_back() {
    let took = |verify, call: &dyn Fn(&mut Flash)| {
        let part = part();
        let mut flash = start(&part, large(), Options::new().with_verify(verify)).unwrap();
        let before = part.chip().volatile().now_ns;
        call(&mut flash);
        part.chip().volatile().now_ns - before
    };
    let cost = |call: &dyn Fn(&mut Flash)| took(true, call) - took(false, call);
    let write = |len: usize| cost(&|flash: &mut Flash| flash.write(BASE, &vec![0; len]).unwrap());
    assert_eq!((write(36), write(256)), (6_560, 44_160));
    let erase = |len| cost(&|flash: &mut Flash| flash.erase(BASE, BASE + len).unwrap());
    assert_eq!((erase(4 << 10), erase(64 << 10)), (706_560, 11_304_960));
}

#[test]
fn a_cut_in_busy_time_tears_and_one_before_it_does_not() {
    let part = part();
    let mut flash = start(&part, large(), Options::new()).unwrap();
    let before = part.chip().bus_moments();
    flash.write(BASE, &[0; 8]).unwrap();
    let (command, polled) = (before + 1 + 2 + 5 + 8, part.chip().bus_moments());
    for (moment, tear, left) in [
        (command - 1, Tear::EVERYTHING, 0xFF),
        (command + 1, Tear::EVERYTHING, 0),
        (command + 1, Tear::NOTHING, 0xFF),
        (polled - 1, Tear::NOTHING, 0),
    ] {
        let part = self::part();
        let mut flash = start(&part, large(), Options::new()).unwrap();
        part.chip_mut().cut_on_bus(moment, BusCut::Power(tear.into()));
        assert_eq!(flash.write(BASE, &[0; 8]), Err(Error::Bus(BusError::Ended)));
        assert_eq!(part.chip().image().bytes()[..8], [left; 8], "{moment}");
    }
}
