//! Facts of the trade that the simulated part must show.
//!
//! Goal: the part behaves as real flash does where the other tests rely on it. Method: small
//! examples with addresses worked out by hand. Common practice, no source.

use outlast_faultsim::part::{Chip, Geometry, PartError};

fn chip() -> Chip {
    Chip::new(Geometry::new(4, 4096, 1, 256).expect("a valid geometry"))
}

/// A byte can be written only where the flash reads FF.
#[test]
fn a_byte_can_be_written_only_where_the_flash_reads_ff() {
    let mut chip = chip();
    chip.program(556, &[0x5A]).expect("a blank byte");
    assert!(matches!(chip.program(556, &[0x5B]), Err(PartError::Contract(_))));
    let mut byte = [0];
    chip.read(556, &mut byte).expect("read");
    assert_eq!(byte, [0x5A]);
    chip.erase(0, 4096).expect("erase");
    chip.read(556, &mut byte).expect("read");
    assert_eq!(byte, [0xFF]);
    chip.program(556, &[0x5B]).expect("an erased byte");
}

/// Page 15, offset 250 is address 4090. Six bytes are left in sector 0, so a longer write goes on
/// in sector 1 and takes two page programs. An erase of sector 0 removes only those six.
#[test]
fn a_write_over_a_sector_boundary_goes_on_in_the_next_sector() {
    let mut chip = chip();
    chip.record_steps(true);
    chip.program(15 * 256 + 250, &[0; 10]).expect("program");
    assert_eq!(chip.take_steps().len(), 2);
    chip.erase(0, 4096).expect("erase");
    let mut bytes = [0; 10];
    chip.read(4090, &mut bytes).expect("read");
    assert_eq!(bytes, [0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0, 0, 0, 0]);
}

/// Page 20, offset 100 lies in sector 1 at 1124. Its erase blanks that byte and no other sector.
#[test]
fn an_erase_takes_the_sector_of_a_page() {
    let mut chip = chip();
    for address in [20 * 256 + 100, 2 * 256 + 44] {
        chip.program(address, &[0]).expect("program");
    }
    chip.erase(4096, 8192).expect("erase");
    let mut byte = [0];
    chip.read(4096 + 1124, &mut byte).expect("read");
    assert_eq!(byte, [0xFF]);
    chip.read(556, &mut byte).expect("read");
    assert_eq!(byte, [0]);
}
