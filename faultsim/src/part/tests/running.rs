//! What a store sees of a running part.
//!
//! Goal: steps, cuts, contract, marginal reads, limits, wear and flash traits are as documented.
//! Method: short sequences of calls with expected results.

use embedded_storage::nor_flash::{NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash};

use super::super::{
    Bias, Chip, ContractViolation, CutTear, DeviceTime, Image, Level, Part, PartError, Step, Tear,
    Timing,
};
use super::{geometry, rng};

#[test]
fn a_program_across_pages_is_several_steps() {
    let g = geometry(2, 512, 1, 256);
    let mut chip = Chip::new(g);
    chip.record_steps(true);
    chip.program(0xFE, &[1, 2, 3, 4]).unwrap();
    assert_eq!(
        chip.take_steps(),
        [
            Step::Program { at: 0xFE, data: vec![1, 2] },
            Step::Program { at: 0x100, data: vec![3, 4] },
        ]
    );
    chip.erase(0, 1024).unwrap();
    assert_eq!(chip.take_steps(), [Step::Erase { sector: 0 }, Step::Erase { sector: 1 }]);
    let counts = chip.counts();
    assert_eq!((counts.program_calls, counts.programs, counts.programmed_bytes), (1, 2, 4));
    assert_eq!((counts.erases, chip.step_count()), (2, 4));
}

#[test]
fn a_cut_switches_the_power_off_at_its_step() {
    let g = geometry(2, 512, 1, 256);
    let mut chip = Chip::new(g);
    chip.cut_at(1, Tear::NOTHING);
    assert_eq!(chip.program(0xFE, &[1, 2, 3, 4]), Err(PartError::PowerOff));
    assert!(chip.is_off());
    assert_eq!(chip.image().bytes()[0xFE..0x102], [1, 2, 0xFF, 0xFF]);
    assert_eq!(chip.read(0, &mut [0]), Err(PartError::PowerOff));
    assert_eq!(chip.erase(0, 512), Err(PartError::PowerOff));
    assert_eq!(chip.torn_step().map(|(step, _)| step.range(&g)), Some(0x100..0x102));

    let image = chip.image().clone();
    chip.power_up(&image, Bias::stored());
    assert!(!chip.is_off() && chip.torn_step().is_none());
    chip.cut_at(0, Tear::EVERYTHING);
    assert_eq!(chip.program(0x100, &[3, 4]), Err(PartError::PowerOff));
    assert_eq!(chip.image().bytes()[0xFE..0x102], [1, 2, 3, 4]);
}

#[test]
fn a_drawn_tear_is_the_same_for_the_same_seed() {
    let g = geometry(2, 512, 1, 256);
    let outcome = |seed| {
        let mut chip = Chip::new(g);
        chip.cut_randomly(0, Level::F4, rng(seed));
        assert_eq!(chip.program(0, &[0; 64]), Err(PartError::PowerOff));
        let (_, tear) = chip.torn_step().unwrap().clone();
        (tear, chip.image().clone())
    };
    for seed in 0..200 {
        let (tear, image) = outcome(seed);
        assert_eq!(outcome(seed), (tear.clone(), image.clone()));
        // The reported tear replays the cut.
        let mut chip = Chip::new(g);
        chip.cut_at(0, CutTear::Given(tear));
        assert_eq!(chip.program(0, &[0; 64]), Err(PartError::PowerOff));
        assert_eq!(*chip.image(), image);
    }
    assert_ne!(outcome(1), outcome(2));
}

#[test]
fn contract_violations_are_refused_and_recorded() {
    let g = geometry(2, 64, 4, 16);
    let mut chip = Chip::new(g);
    chip.program(8, &[0x0F, 0xFF, 0xFF, 0xFF]).unwrap();
    let before = chip.image().clone();
    let violations = [
        (chip.program(8, &[0x0F, 0xFF, 0xFF, 0x00]), ContractViolation::SecondProgram { at: 8 }),
        (chip.program(4, &[0, 0, 0, 0, 0xFF, 0, 0, 0]), ContractViolation::ZeroToOne { at: 8 }),
        (chip.program(2, &[0; 4]), ContractViolation::Misaligned { from: 2, to: 6, granule: 4 }),
        (chip.program(4, &[0; 3]), ContractViolation::Misaligned { from: 4, to: 7, granule: 4 }),
        (chip.program(124, &[0; 8]), ContractViolation::OutOfRange { from: 124, to: 132 }),
        (chip.erase(0, 32), ContractViolation::Misaligned { from: 0, to: 32, granule: 64 }),
        (chip.erase(64, 0), ContractViolation::OutOfRange { from: 64, to: 0 }),
        (chip.erase(0, 192), ContractViolation::OutOfRange { from: 0, to: 192 }),
        (
            chip.read(u32::MAX, &mut [0; 2]),
            ContractViolation::OutOfRange { from: u32::MAX, to: (1 << 32) + 1 },
        ),
    ];
    for (result, violation) in &violations {
        assert_eq!(*result, Err(PartError::Contract(*violation)));
    }
    assert_eq!(*chip.image(), before);
    assert_eq!(chip.violations(), violations.map(|(_, violation)| violation));
    // Programming zeros over a programmed unit is allowed.
    chip.program(8, &[0; 4]).unwrap();
    assert_eq!(chip.violations().len(), 9);
    assert_eq!(chip.step_count(), 2);
}

#[test]
fn marginal_cells_read_as_the_bias_says_until_they_are_driven() {
    let g = geometry(1, 512, 1, 256);
    let step = Step::Program { at: 16, data: vec![0; 32] };
    let image = Image::blank(&g);
    // The tear that looks undone and leaves every bit marginal.
    let tear = Tear::list(&g, Level::F3, &image, &step, 1)
        .into_iter()
        .find(|tear| {
            let mut torn = image.clone();
            torn.apply_torn(&g, &step, tear);
            torn.bytes() == image.bytes()
                && torn.marginal().iter().filter(|marginal| marginal.mask == 0xFF).count() == 32
        })
        .expect("F3 has this tear");
    let mut torn = image.clone();
    torn.apply_torn(&g, &step, &tear);
    assert_ne!(torn, image);

    let mut chip = Chip::new(g);
    let read = |chip: &mut Chip| {
        let mut out = [0; 64];
        chip.read(0, &mut out).unwrap();
        out
    };
    chip.power_up(&torn, Bias::stored());
    assert_eq!(read(&mut chip), [0xFF; 64]);
    chip.power_up(&torn, Bias::ZEROS);
    assert_eq!(read(&mut chip)[15..49], [[0xFF].as_slice(), &[0; 32], &[0xFF]].concat());
    chip.power_up(&torn, Bias::flicker(3));
    assert_ne!(read(&mut chip), read(&mut chip));
    let boots: Vec<_> = (0..20)
        .map(|seed| {
            chip.power_up(&torn, Bias::seeded(seed));
            let first = read(&mut chip);
            assert_eq!(first, read(&mut chip));
            first
        })
        .collect();
    assert!(boots.iter().any(|boot| *boot != boots[0]));

    // Units that look blank may be programmed; bits that are not driven to 0 stay marginal.
    chip.power_up(&torn, Bias::ZEROS);
    chip.program(16, &[0xF0; 32]).unwrap();
    assert!(chip.image().marginal().iter().all(|marginal| marginal.mask == 0xF0));
    assert_eq!(read(&mut chip)[16], 0);
    chip.program(16, &[0; 32]).unwrap();
    assert!(!chip.image().has_marginal());
    chip.power_up(&torn, Bias::ZEROS);
    chip.erase(0, 512).unwrap();
    assert_eq!(*chip.image(), image);
}

#[test]
fn the_limit_on_calls_ends_endless_loops() {
    let mut chip = Chip::new(geometry(1, 64, 1, 16));
    chip.set_fuel(3);
    for _ in 0..2 {
        chip.power_up(&Image::blank(&chip.geometry()), Bias::stored());
        assert!(chip.read(0, &mut [0]).is_ok());
        assert!(chip.read(64, &mut [0]).is_err());
        assert!(chip.program(0, &[0]).is_ok());
        assert_eq!(chip.read(0, &mut [0]), Err(PartError::Fuel));
        assert_eq!(chip.erase(0, 64), Err(PartError::Fuel));
    }
}

#[test]
fn erase_counts_survive_a_power_up_and_counters_do_not() {
    let g = geometry(3, 64, 1, 16);
    let mut chip = Chip::new(g);
    chip.erase(0, 128).unwrap();
    chip.cut_at(3, Tear::EVERYTHING);
    chip.erase(0, 64).unwrap();
    assert!(chip.erase(64, 128).is_err());
    let image = chip.image().clone();
    chip.power_up(&image, Bias::stored());
    assert_eq!((chip.wear().most_erased, chip.wear().least_erased), (2, 0));
    assert_eq!(chip.image().erase_counts(), [2, 2, 0]);
    assert_eq!(chip.counts(), Default::default());
    assert_eq!(chip.time(), DeviceTime::default());
    let timing = Timing { bus_byte_ns: 1000, ..Timing::SERIAL_NOR };
    chip.set_timing(timing);
    chip.read(0, &mut [0; 6]).unwrap();
    assert_eq!(chip.time(), DeviceTime { typical_ns: 10_000, maximal_ns: 10_000 });
}

#[test]
fn flash_traits_check_alignment_and_report_errors() {
    let part = Part::new(Chip::new(geometry(4, 4096, 1, 256)));
    let mut nor = part.nor::<4, 8>();
    assert_eq!(nor.capacity(), 16384);
    nor.write(8, &[0; 8]).unwrap();
    let mut out = [1; 8];
    nor.read(8, &mut out).unwrap();
    assert_eq!(out, [0; 8]);
    let kind = |result: Result<(), PartError>| result.map_err(|error| error.kind());
    assert_eq!(kind(nor.read(2, &mut out)), Err(NorFlashErrorKind::NotAligned));
    assert_eq!(kind(nor.read(0, &mut out[..3])), Err(NorFlashErrorKind::NotAligned));
    assert_eq!(kind(nor.write(4, &[0; 8])), Err(NorFlashErrorKind::NotAligned));
    assert_eq!(kind(nor.erase(512, 1024)), Err(NorFlashErrorKind::NotAligned));
    assert_eq!(kind(nor.write(16384, &[0; 8])), Err(NorFlashErrorKind::OutOfBounds));
    assert_eq!(kind(nor.write(8, &[0xFF; 8])), Err(NorFlashErrorKind::Other));
    assert_eq!(part.chip().violations().len(), 6);
    nor.erase(0, 4096).unwrap();
    part.chip_mut().cut_at(2, Tear::NOTHING);
    assert_eq!(nor.write(0, &[0; 8]), Err(PartError::PowerOff));
    // A part without power says so, whatever the call.
    assert_eq!(nor.read(1, &mut out), Err(PartError::PowerOff));
    assert_eq!(part.chip().violations().len(), 6);
}

#[test]
fn second_programs_are_noted_where_they_are_permitted() {
    let g = geometry(1, 64, 1, 16);
    let mut chip = Chip::new(g);
    chip.program(3, &[0x0F]).unwrap();
    assert!(chip.program(3, &[0x55]).is_err() && !chip.programmed_twice());
    chip.permit_second_programs(true);
    chip.program(3, &[0x00]).unwrap();
    chip.program(4, &[0x33]).unwrap();
    assert!(!chip.programmed_twice());
    chip.program(4, &[0x55]).unwrap();
    assert!(chip.programmed_twice());
    assert_eq!(chip.image().bytes()[4], 0x33 & 0x55);
}

#[test]
fn units_hit_only_by_collateral_damage_may_be_programmed() {
    let g = geometry(1, 64, 1, 16);
    let image = Image::blank(&g);
    let step = Step::Program { at: 0, data: vec![0x00] };
    let mut hit = 0;
    for tear in
        Tear::list(&g, Level::F5, &image, &step, 1).iter().filter(|tear| tear.is_collateral())
    {
        let mut after = image.clone();
        after.apply_torn(&g, &step, tear);
        for at in (1..64).filter(|at| after.bytes()[*at as usize] != 0xFF) {
            let mut chip = Chip::new(g);
            chip.power_up(&after, Bias::stored());
            chip.program(at, &[0x55]).unwrap();
            assert_eq!(chip.image().bytes()[at as usize], after.bytes()[at as usize] & 0x55);
            hit += 1;
        }
    }
    assert!(hit > 100, "{hit}");
}
