//! Legacy code that writes bytes at fixed addresses runs unchanged on a byte region, where its
//! writes survive a power cut.
//!
//! `cargo run --release --example byte_region`

use embedded_storage::{ReadStorage, Storage};
use outlast_faultsim::part::{Bias, Chip, Geometry, Nor, Part, Tear};
use outlast_kvstore::{Layout, Region, Store};

/// Written years ago for a memory in which any byte could be rewritten: a table of calibration
/// points at fixed addresses, after a count. It knows only the trait `Storage`.
mod legacy {
    use embedded_storage::Storage;

    const COUNT: u32 = 0x10;
    const POINTS: u32 = 0x20;

    pub(crate) fn add_point<S: Storage>(
        rom: &mut S,
        raw: u16,
        level_mm: i16,
    ) -> Result<u8, S::Error> {
        let mut count = [0];
        rom.read(COUNT, &mut count)?;
        // A byte that was never written reads as 0xFF.
        let number = if count[0] == 0xFF { 0 } else { count[0] };
        let mut point = [0; 4];
        point[..2].copy_from_slice(&raw.to_le_bytes());
        point[2..].copy_from_slice(&level_mm.to_le_bytes());
        rom.write(POINTS + u32::from(number) * 4, &point)?;
        rom.write(COUNT, &[number + 1])?;
        Ok(number + 1)
    }
}

/// 1024 bytes in chunks of 64. Writes of up to 193 bytes are all or nothing.
type Rom<'s> = Region<'s, Nor<1, 1>, 32>;

fn open(part: &Part) -> Result<Store<Nor<1, 1>, 32>, Box<dyn std::error::Error>> {
    let image = part.chip().image().clone();
    part.chip_mut().power_up(&image, Bias::ONES);
    Ok(Store::open(part.nor(), Layout::serial_nor())?)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let part = Part::new(Chip::new(Geometry::new(4, 4096, 1, 256)?));
    let mut store = open(&part)?;
    let mut rom: Rom<'_> = Region::new(&mut store, "rom", 1024)?;
    for number in 0..40 {
        legacy::add_point(&mut rom, 1000 + 17 * number, 30 * number.cast_signed())?;
    }
    let counts = part.chip().counts();
    println!(
        "80 writes of legacy code: {} bytes programmed, {} erases",
        counts.programmed_bytes, counts.erases
    );
    println!("as sector rewrites: {} bytes programmed, 80 erases", 80 * 4096);

    // The power fails in the middle of a write that spans three chunks.
    let before = part.chip().step_count();
    part.chip_mut().cut_at(before + 2, Tear::NOTHING);
    let cut = rom.write_atomic(0x20, &[0xAA; 150]).is_err();
    let mut store = open(&part)?;
    let mut rom: Rom<'_> = Region::new(&mut store, "rom", 1024)?;
    let mut bytes = [0; 150];
    rom.read(0x20, &mut bytes)?;
    let old = bytes.iter().filter(|byte| **byte != 0xAA).count();
    println!("write of 150 bytes interrupted: {cut}; bytes of it in the region: {}", 150 - old);
    assert_eq!(old, 150);
    rom.write(0x20, &[0xAA; 150])?;
    Ok(())
}
