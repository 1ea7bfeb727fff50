//! Sectors that go bad: what they answer, and what is left in them.

use super::super::{
    BadChange, BadKind, BadSector, Bias, Chip, Effect, Image, Level, PartError, Response,
    SecondPrograms, Step, Tear,
};
use crate::part::Geometry;

const NOTHING: Effect = Effect::Nothing;

fn geometry() -> Geometry {
    Geometry::new(3, 64, 1, 16).unwrap()
}

/// A part whose sectors hold zeros, and in which sector 1 is bad.
fn chip(erase: Response, program: Response) -> Chip {
    let g = geometry();
    let mut image = Image::blank(&g);
    image.set_second_programs(&g, SecondPrograms::Refused);
    for sector in 0..3 {
        image.apply(&g, &Step::Program { at: 64 * sector, data: vec![0; 16] });
    }
    let kind = BadKind { erase, program };
    image.set_bad(Some(BadSector { kind, sector: Some(1), wait: 0 }));
    let mut chip = Chip::new(g);
    chip.power_up(&image, Bias::stored());
    chip
}

fn zeros(chip: &Chip) -> usize {
    chip.image().bytes().iter().filter(|byte| **byte == 0).count()
}

#[test]
fn only_the_bad_sector_fails_and_only_as_far_as_it_says() {
    for (erase, result, left) in [
        (Response::Works, Ok(()), 0),
        (Response::Fails(NOTHING), Err(PartError::Failed), 16),
        (Response::Fails(Effect::Whole), Err(PartError::Failed), 0),
        (Response::Ignores(NOTHING), Ok(()), 16),
    ] {
        let mut chip = chip(erase, Response::Works);
        assert_eq!(chip.erase(0, 64), Ok(()));
        assert_eq!(zeros(&chip), 32);
        assert_eq!(chip.erase(64, 128), result, "{erase}");
        assert_eq!(zeros(&chip), 16 + left, "{erase}");
    }
    for (program, result, done) in [
        (Response::Works, Ok(()), 8),
        (Response::Fails(NOTHING), Err(PartError::Failed), 0),
        (Response::Fails(Effect::Half), Err(PartError::Failed), 4),
        (Response::Ignores(Effect::Half), Ok(()), 4),
        (Response::Ignores(NOTHING), Ok(()), 0),
    ] {
        let mut chip = chip(Response::Works, program);
        assert_eq!(chip.program(96, &[0; 8]), result, "{program}");
        assert_eq!(zeros(&chip), 48 + done, "{program}");
        assert_eq!(chip.program(160, &[0; 8]), Ok(()));
    }
}

#[test]
fn code_that_was_told_of_no_error_may_program() {
    let mut told = chip(Response::Fails(NOTHING), Response::Works);
    let _ = told.erase(64, 128);
    assert!(matches!(told.program(64, &[7]), Err(PartError::Contract(_))));
    let mut untold = chip(Response::Ignores(NOTHING), Response::Works);
    assert_eq!(untold.erase(64, 128), Ok(()));
    assert_eq!(untold.program(64, &[7]), Ok(()));
    assert_eq!(untold.image().bytes()[64], 0);
}

#[test]
fn a_sector_goes_bad_in_an_erase_to_come() {
    let g = geometry();
    let mut image = Image::blank(&g);
    let bad = BadSector::next(BadKind::ALL[0], 1);
    image.set_bad(Some(bad));
    image.apply(&g, &Step::Program { at: 0, data: vec![0; 4] });
    image.apply(&g, &Step::Erase { sector: 0 });
    assert_eq!(image.bytes()[0], 0xFF);
    let mut torn = image.clone();
    for tear in Tear::list(&g, Level::F7, &image, &Step::Erase { sector: 2 }, 1) {
        torn.copy_from(&image);
        torn.apply_torn(&g, &Step::Erase { sector: 2 }, &tear);
        let sector = torn.bad().unwrap().sector;
        assert_eq!(sector, Some(2), "{tear}");
    }
    assert_ne!(torn, image);
    torn.set_bad(image.bad());
    assert_eq!(torn.bytes(), image.bytes());
}

#[test]
fn an_interrupted_operation_of_a_bad_sector_does_no_more_than_a_whole_one() {
    let g = geometry();
    let chip = chip(Response::Fails(NOTHING), Response::Ignores(NOTHING));
    for step in [Step::Erase { sector: 1 }, Step::Program { at: 80, data: vec![0; 8] }] {
        for tear in Tear::list(&g, Level::F3, &Image::blank(&g), &step, 1) {
            let mut torn = chip.image().clone();
            torn.apply_torn(&g, &step, &tear);
            assert_eq!(torn.bytes(), chip.image().bytes(), "{step:?} {tear}");
        }
    }
}

#[test]
fn changes_have_numbers() {
    let kinds = BadKind::ALL.into_iter();
    let next = kinds.flat_map(|kind| (0..3).map(move |wait| BadChange::Next(kind, wait)));
    for change in [BadChange::Stays, BadChange::ComesBack].into_iter().chain(next) {
        assert_eq!(BadChange::numbered(change.number()), Some(change));
    }
    assert_eq!(BadChange::numbered(u32::MAX), None);
}
