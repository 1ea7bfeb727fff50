//! What the part does about second programs of a unit.
//!
//! Goal: each clause of [`SecondPrograms`] holds, and its record survives whatever an image goes
//! through. Method: short sequences of calls, cuts and power-ups with expected results; the twin
//! test covers the combinations.

use super::super::{Bias, Chip, ContractViolation, Geometry, Image, Level, SecondPrograms, Step};
use super::super::{PartError, Tear};
use super::geometry;

const UNIT: usize = 4;

/// Two sectors of 64 bytes, units of 4 bytes, pages of 16.
fn part() -> Geometry {
    geometry(2, 64, UNIT as u32, 16)
}

/// A blank chip that refuses second programs.
fn chip() -> Chip {
    let mut chip = Chip::new(part());
    chip.set_second_programs(SecondPrograms::Refused);
    chip
}

/// Cuts the power in the next step and switches it on again.
fn cut(chip: &mut Chip, tear: Tear, call: impl FnOnce(&mut Chip) -> Result<(), PartError>) {
    chip.cut_at(chip.step_count(), tear);
    assert_eq!(call(chip), Err(PartError::PowerOff));
    restart(chip, Bias::stored());
}

fn restart(chip: &mut Chip, bias: Bias) {
    let image = chip.image().clone();
    chip.power_up(&image, bias);
}

fn read(chip: &mut Chip, at: u32, len: usize) -> Vec<u8> {
    let mut out = vec![0; len];
    chip.read(at, &mut out).unwrap();
    out
}

const fn second(at: u32) -> Result<(), PartError> {
    Err(PartError::Contract(ContractViolation::SecondProgram { at }))
}

const fn half_erased(at: u32) -> Result<(), PartError> {
    Err(PartError::Contract(ContractViolation::InterruptedErase { at }))
}

/// Tears that leave zeros over the unit at 8 marginal and nearer to 1.
fn ghost(g: &Geometry) -> Tear {
    let (image, step) = (Image::blank(g), Step::Program { at: 8, data: vec![0; UNIT] });
    let tears = Tear::list(g, Level::F3, &image, &step, 1);
    let is_ghost = |tear: &&Tear| {
        let mut torn = image.clone();
        torn.apply_torn(g, &step, tear);
        torn.bytes() == image.bytes() && torn.has_marginal()
    };
    tears.iter().find(is_ghost).expect("F3 has such a tear").clone()
}

#[test]
fn a_completed_program_is_not_followed_by_another() {
    let mut chip = chip();
    chip.program(8, &[0x5A; UNIT]).unwrap();
    chip.program(12, &[0xFF; UNIT]).unwrap();
    chip.program(16, &[0; UNIT]).unwrap();
    for at in [8, 12, 16] {
        read(&mut chip, at, UNIT);
        assert_eq!(chip.program(at, &[0; UNIT]), second(at), "zeros are no excuse");
        // The unit also counts if it is one of several.
        assert!(chip.program(at - 8, &[0; 3 * UNIT]).is_err());
    }
    assert_eq!(chip.program(12, &[0xFF; UNIT]), second(12), "nor is it that no bit changes");
    assert_eq!(
        chip.program(8, &[0xFF; UNIT]),
        Err(PartError::Contract(ContractViolation::ZeroToOne { at: 8 }))
    );
    assert_eq!((chip.repeated_zeros(), chip.most_programs()), (0, 1));
    restart(&mut chip, Bias::stored());
    assert_eq!(chip.program(12, &[0; UNIT]), second(12), "a power-up changes nothing");
    chip.erase(0, 64).unwrap();
    chip.program(12, &[0x5A; UNIT]).unwrap();
}

#[test]
fn an_interrupted_program_counts_even_if_nothing_of_it_happened() {
    for tear in [Tear::NOTHING, Tear::EVERYTHING] {
        let mut chip = chip();
        cut(&mut chip, tear.clone(), |chip| chip.program(8, &[0x5A, 0xFF, 0xFF, 0xFF]));
        read(&mut chip, 0, 64);
        assert_eq!(chip.program(8, &[0; UNIT]), second(8), "{tear}");
        // What a call had not begun when the power went is free.
        cut(&mut chip, tear.clone(), |chip| chip.program(28, &[0x5A; 2 * UNIT]));
        assert!(chip.program(28, &[0x5A; UNIT]).is_err());
        chip.program(32, &[0x5A; UNIT]).unwrap();
    }
}

#[test]
fn interrupted_zeros_over_one_unit_may_be_repeated() {
    let mut chip = chip();
    for number in 1..5 {
        cut(&mut chip, Tear::NOTHING, |chip| {
            read(chip, 0, 64);
            chip.program(8, &[0; UNIT])
        });
        assert_eq!((chip.repeated_zeros(), chip.most_programs()), (number - 1, number as u32));
    }
    read(&mut chip, 0, 64);
    chip.program(8, &[0; UNIT]).unwrap();
    assert_eq!((chip.repeated_zeros(), chip.most_programs()), (4, 5));
    // Now it is complete.
    restart(&mut chip, Bias::stored());
    read(&mut chip, 0, 64);
    assert_eq!(chip.program(8, &[0; UNIT]), second(8));
}

#[test]
fn only_the_call_that_the_exception_describes_may_repeat() {
    let mut chip = chip();
    cut(&mut chip, Tear::NOTHING, |chip| chip.program(8, &[0; UNIT]));
    read(&mut chip, 0, 64);
    assert_eq!(chip.program(8, &[0, 0, 0, 1]), second(8), "anything but zeros");
    assert_eq!(chip.program(8, &[0; 2 * UNIT]), second(8), "more than one unit");
    assert_eq!(chip.program(4, &[0; 2 * UNIT]), second(8), "more than one unit");
    assert_eq!(chip.repeated_zeros(), 0);
    chip.program(8, &[0; UNIT]).unwrap();

    // An earlier program that had a 1 in this unit, before or after one of zeros.
    let mut chip = self::chip();
    cut(&mut chip, Tear::NOTHING, |chip| chip.program(8, &[0, 0, 0, 1]));
    read(&mut chip, 0, 64);
    assert_eq!(chip.program(8, &[0; UNIT]), second(8));
    // An earlier program of several units, with zeros in this one.
    cut(&mut chip, Tear::NOTHING, |chip| chip.program(16, &[[0xA5; UNIT], [0; UNIT]].concat()));
    read(&mut chip, 0, 64);
    assert_eq!(chip.program(16, &[0; UNIT]), second(16));
    chip.program(20, &[0; UNIT]).unwrap();
    assert_eq!(chip.repeated_zeros(), 1);
}

#[test]
fn the_last_reading_of_the_unit_must_be_blank_in_all_its_bytes() {
    let mut chip = chip();
    let ghost = ghost(&part());
    cut(&mut chip, ghost, |chip| chip.program(8, &[0; UNIT]));
    assert_eq!(chip.program(8, &[0; UNIT]), second(8), "not read at all");
    read(&mut chip, 9, 55);
    assert_eq!(chip.program(8, &[0; UNIT]), second(8), "one byte not read");
    read(&mut chip, 0, 9);
    assert_eq!(read(&mut chip, 8, UNIT), [0xFF; UNIT]);
    let image = chip.image().clone();
    restart(&mut chip, Bias::stored());
    assert_eq!(chip.program(8, &[0; UNIT]), second(8), "read in an earlier power-up only");
    chip.power_up(&image, Bias::ZEROS);
    assert_eq!(read(&mut chip, 8, UNIT), [0; UNIT]);
    assert_eq!(chip.program(8, &[0; UNIT]), second(8), "read as zeros");
    // The reading changes over at some read call.
    let changes = (0..200).map(|seed| Bias::flipping(seed, false));
    let (mut allowed, mut refused) = (0, 0);
    for bias in changes {
        chip.power_up(&image, bias);
        let readings: Vec<Vec<u8>> = (0..8).map(|_| read(&mut chip, 8, UNIT)).collect();
        if readings[7] == [0xFF; UNIT] {
            chip.program(8, &[0; UNIT]).unwrap();
            allowed += u32::from(readings[0] != readings[7]);
        } else {
            assert_eq!(chip.program(8, &[0; UNIT]), second(8));
            refused += u32::from(readings[0] != readings[7]);
        }
    }
    assert!(allowed > 10 && refused > 10, "{allowed} {refused}");
    // In two pieces.
    chip.power_up(&image, Bias::stored());
    read(&mut chip, 10, 9);
    read(&mut chip, 6, 4);
    chip.program(8, &[0; UNIT]).unwrap();
}

#[test]
fn a_sector_is_programmed_only_after_a_completed_erase() {
    let mut chip = chip();
    chip.program(0, &[0x5A; UNIT]).unwrap();
    cut(&mut chip, Tear::NOTHING, |chip| chip.program(8, &[0; UNIT]));
    for tear in [Tear::NOTHING, blank_erase()] {
        cut(&mut chip, tear, |chip| chip.erase(0, 64));
        read(&mut chip, 0, 64);
        for at in [0, 8, 40] {
            assert_eq!(chip.program(at, &[0; UNIT]), half_erased(at));
            assert_eq!(chip.program_bits(at, &[0; UNIT]), half_erased(at));
        }
    }
    chip.program(64, &[0x5A; UNIT]).unwrap();
    // The interruption left the units as they were; a completed erase clears them.
    let record = chip.image().programs();
    assert!(record.is_begun(0) && !record.is_repeatable(0) && record.is_repeatable(2));
    cut(&mut chip, Tear::EVERYTHING, |chip| chip.erase(0, 64));
    chip.program(0, &[0x5A; 4 * UNIT]).unwrap();
    assert_eq!(chip.program(0, &[0; UNIT]), second(0));
    assert_eq!(chip.most_programs(), 1);
}

/// An interrupted erase after which the sector looks blank.
fn blank_erase() -> Tear {
    let g = part();
    let (mut image, step) = (Image::blank(&g), Step::Erase { sector: 0 });
    image.apply(&g, &Step::Program { at: 0, data: vec![0x5A; UNIT] });
    let tears = Tear::list(&g, Level::F3, &image, &step, 1);
    let is_blank = |tear: &&Tear| {
        let mut torn = image.clone();
        torn.apply_torn(&g, &step, tear);
        torn.bytes() == Image::blank(&g).bytes() && **tear != Tear::EVERYTHING
    };
    tears.iter().find(is_blank).expect("F3 has such a tear").clone()
}

#[test]
fn a_part_for_many_programs_takes_them() {
    let mut chip = chip();
    chip.program_bits(8, &[0x5A; UNIT]).unwrap();
    chip.program_bits(8, &[0x0A; UNIT]).unwrap();
    assert_eq!(chip.program(8, &[0; UNIT]), second(8));
    assert_eq!(chip.most_programs(), 2);
}

#[test]
fn counting_refuses_nothing() {
    let g = part();
    let mut chip = Chip::new(g);
    chip.set_second_programs(SecondPrograms::Counted);
    for number in 1..=3 {
        chip.program(8, &[number; 2 * UNIT]).unwrap();
    }
    cut(&mut chip, Tear::NOTHING, |chip| chip.erase(0, 64));
    chip.program(12, &[0x5A; UNIT]).unwrap();
    assert_eq!(chip.most_programs(), 4, "an interrupted erase does not begin anew");
    chip.erase(0, 64).unwrap();
    chip.program(12, &[0x5A; UNIT]).unwrap();
    assert_eq!(chip.most_programs(), 4);
    assert!(chip.violations().is_empty() && !chip.programmed_twice());
    assert_eq!(chip.image().bytes()[12..16], [0x5A; UNIT]);
    for _ in 0..200 {
        chip.program(12, &[0; UNIT]).unwrap();
    }
    assert_eq!(chip.most_programs(), 127);
    // By default nothing is counted.
    let mut chip = Chip::new(g);
    chip.program(8, &[0; UNIT]).unwrap();
    assert_eq!((chip.image().second_programs(), chip.most_programs()), Default::default());
}

#[test]
fn after_collateral_damage_second_programs_are_carried_out_and_noted() {
    let mut chip = chip();
    chip.program(8, &[0x5A; UNIT]).unwrap();
    cut(&mut chip, Tear::NOTHING, |chip| chip.erase(64, 128));
    chip.permit_second_programs(true);
    chip.program(12, &[0x5A; UNIT]).unwrap();
    assert!(!chip.programmed_twice());
    chip.program(8, &[0; UNIT]).unwrap();
    assert!(chip.programmed_twice() && chip.violations().is_empty());
    restart(&mut chip, Bias::stored());
    assert!(!chip.programmed_twice());
    chip.program(64, &[0; UNIT]).unwrap();
    assert!(chip.programmed_twice());
}

#[test]
fn a_record_that_starts_later_takes_what_is_known() {
    let g = part();
    let mut bytes = vec![0xFF; 128];
    bytes[9] = 0x7F;
    let mut image = Image::from_bytes(&g, &bytes).unwrap();
    image.set_second_programs(&g, SecondPrograms::Refused);
    let mut chip = Chip::new(g);
    chip.power_up(&image, Bias::stored());
    assert_eq!(chip.program(8, &[0; UNIT]), second(8));
    chip.program(12, &[0; UNIT]).unwrap();
    // The rule is the image's.
    chip.power_up(&Image::blank(&g), Bias::stored());
    chip.program(8, &[0x5A; UNIT]).unwrap();
    chip.program(8, &[0; UNIT]).unwrap();
}

/// Images with equal cells are equal if the part treats them equally from then on.
#[test]
fn images_differ_where_the_part_accepts_different_programs() {
    let g = part();
    let mut blank = Image::blank(&g);
    blank.set_second_programs(&g, SecondPrograms::Refused);
    let after = |steps: &[(Step, Tear)]| {
        let mut image = blank.clone();
        steps.iter().for_each(|(step, tear)| image.apply_torn(&g, step, tear));
        image
    };
    let program = |byte| (Step::Program { at: 8, data: vec![byte; UNIT] }, Tear::NOTHING);
    let erase = |tear| (Step::Erase { sector: 0 }, tear);
    let different = [
        blank.clone(),
        after(&[program(0)]),
        after(&[program(0xFF)]),
        after(&[erase(Tear::NOTHING)]),
    ];
    for (index, one) in different.iter().enumerate() {
        for (number, other) in different.iter().enumerate() {
            assert_eq!(one == other, index == number, "{index} {number}");
        }
    }
    // How often a unit was programmed, and what was programmed before an interrupted erase, makes
    // no difference.
    assert_eq!(after(&[program(0), program(0)]), different[1]);
    assert_eq!(after(&[program(0), program(0xFF)]), different[2]);
    assert_eq!(after(&[program(0), erase(Tear::NOTHING)]), different[3]);
    assert_eq!(after(&[program(0), erase(Tear::NOTHING), erase(Tear::EVERYTHING)]), blank);
    // A part that refuses nothing of this has one blank image.
    let mut counted = Image::blank(&g);
    counted.set_second_programs(&g, SecondPrograms::Counted);
    counted.apply_torn(&g, &program(0).0, &Tear::NOTHING);
    assert_eq!(counted, Image::blank(&g));
    assert_ne!(blank, Image::blank(&g));
    // Copies take over what differs, also if they have a common origin.
    let mut copy = blank.clone();
    for image in &different {
        copy.copy_from(image);
        assert_eq!(copy, *image);
    }
    for image in different.iter().rev() {
        copy.copy_from(image);
        assert_eq!(copy, *image);
    }
    copy.copy_from(&counted);
    assert_eq!(copy.second_programs(), SecondPrograms::Counted);
}
