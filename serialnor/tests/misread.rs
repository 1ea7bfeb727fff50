//! Goal: tables that are misread or wrong never make the driver use a command, a size or an address
//! form that is not the chip's. Method: each bit of the tables of 16 real chips wrong in one
//! reading; and tables of real chips with commands that mean something else.

mod mock;

use std::path::PathBuf;

use outlast_serialnor::{Chip as Parameters, DataSheet, EraseType, FourByte, Options, SfdpError};

use mock::{Chip, Error, Flash, Misread, State};

/// Names of the dumps.
fn names() -> Vec<String> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/sfdp");
    let files = std::fs::read_dir(folder).unwrap().map(|file| file.unwrap().path());
    let mut names: Vec<String> = files
        .filter(|path| path.extension().is_some_and(|extension| extension == "hex"))
        .map(|path| path.file_stem().unwrap().to_str().unwrap().to_owned())
        .collect();
    names.sort();
    names
}

fn parameters(chip: &Chip) -> Result<Parameters, Error> {
    let flash: Result<Flash, Error> = chip.start(Options::new());
    flash.map(|flash| *flash.chip())
}

#[test]
fn one_wrong_bit_in_one_reading_of_the_tables_has_no_effect() {
    let names = names();
    assert_eq!(names.len(), 16);
    let mut bits = 0;
    for name in &names {
        let chip = Chip::of(name, |_| ());
        let right = parameters(&chip);
        let tables = chip.0.borrow().tables.clone();
        for (byte, readings_before) in (0..tables.len()).flat_map(|byte| [(byte, 0), (byte, 1)]) {
            for bit in 0..8 {
                let misread = Misread { byte, mask: 1 << bit, readings_before };
                let chip = Chip::of(name, |_| ());
                chip.0.borrow_mut().misread = Some(misread);
                assert_eq!(parameters(&chip), right, "{name} {byte:#x} {bit} {readings_before}");
                bits += usize::from(chip.0.borrow().misread.is_none());
            }
        }
    }
    // The rest are bytes that the driver does not read.
    assert!(bits > 20_000, "{bits}");
}

#[test]
fn tables_that_never_read_the_same_are_refused() {
    let chip = Chip::of("mx66l1g45g", |state| state.noise = true);
    let differ = Error::NoTables(SfdpError::ReadingsDiffer);
    assert_eq!(parameters(&chip), Err(differ));
    // Also if the data sheet says everything: the bus is too noisy to write over.
    let erase = Some(EraseType { bytes: 4096, opcode: 0x20, times: None });
    let sheet =
        DataSheet::new().with_capacity(16 << 20).with_erase_types([erase, None, None, None]);
    let started = chip.start::<4096, 1>(Options::new().with_data_sheet(sheet));
    assert_eq!(started.err(), Some(differ));
}

/// Erase types of the basic table, which is at 30h: DWORDs 8 and 9.
fn set_types(state: &mut State, types: [(u8, u8); 4]) {
    for (at, (exponent, opcode)) in (0x30 + 4 * 7..).step_by(2).zip(types) {
        state.tables[at..at + 2].copy_from_slice(&[exponent, opcode]);
    }
}

fn erases(chip: &Chip) -> Result<Vec<(u32, u8)>, Error> {
    let types = parameters(chip)?.erase_types;
    Ok(types.iter().flatten().map(|erase| (erase.bytes, erase.opcode)).collect())
}

#[test]
fn commands_with_another_meaning_are_not_used_to_erase() {
    // Status registers, programs, write enable, whole chip, non-volatile configuration.
    for opcode in [0x01, 0x31, 0x11, 0x02, 0x12, 0x06, 0xC7, 0x60, 0xC4, 0xB1, 0x00, 0xFF] {
        let chip = Chip::of("at25ql128a", |state| {
            set_types(state, [(12, opcode), (15, 0x52), (16, 0xD8), (0, 0)]);
        });
        let error = Error::EraseSize { smallest: 32 << 10 };
        assert_eq!(parameters(&chip), Err(error), "{opcode:#x}");
        let erase = |bytes, opcode| Some(EraseType { bytes, opcode, times: None });
        let sheet = DataSheet::new().with_erase_types([erase(4096, opcode), None, None, None]);
        let flash = chip.start::<4096, 1>(Options::new().with_data_sheet(sheet));
        assert_eq!(flash.err(), Some(Error::UnclearEraseTypes), "{opcode:#x}");
    }
}

#[test]
fn erases_of_less_than_256_bytes_are_not_used() {
    for exponent in 1..8 {
        let chip = Chip::of("at25ql128a", |state| {
            set_types(state, [(exponent, 0x81), (12, 0x20), (16, 0xD8), (0, 0)]);
        });
        assert_eq!(erases(&chip), Ok(vec![(4 << 10, 0x20), (64 << 10, 0xD8)]), "{exponent}");
    }
    let chip = Chip::of("at25ql128a", |state| {
        set_types(state, [(8, 0x81), (12, 0x20), (16, 0xD8), (0, 0)]);
    });
    assert_eq!(erases(&chip).unwrap()[0], (256, 0x81));
}

// Found by fuzzing: types of 4, 4 and 32 KiB with the commands 5Ch, D1h and D1h.
#[test]
fn a_command_of_two_sizes_is_not_used_for_either() {
    let erase = |bytes, opcode| Some(EraseType { bytes, opcode, times: None });
    let types =
        [erase(4 << 10, 0x20), erase(4 << 10, 0xD7), erase(32 << 10, 0x52), erase(64 << 10, 0xD8)];
    let opcodes = [Some(0x5C), Some(0xD1), Some(0xD1), Some(0xDC)];
    let sheet = DataSheet::new()
        .with_erase_types(types)
        .with_four_byte(FourByte::Opcodes { erase: opcodes });
    let chip = Chip::of("n25q256a", |_| ());
    let flash: Flash = chip.start(Options::new().with_data_sheet(sheet)).unwrap();
    let types: Vec<_> =
        flash.chip().erase_types.iter().flatten().map(|it| (it.bytes, it.opcode)).collect();
    assert_eq!(types, [(4 << 10, 0x5C), (64 << 10, 0xDC)]);
}
