//! A simulated device mounts an image, works with it and loses power in the middle of a batch. The
//! contents of its flash are then a dump to inspect; see `docs/images.md`.
//!
//! `cargo run --example device -- gauge.bin dump.bin broken.bin`. The third file is the dump with
//! the start and the end of its first sector destroyed, and so both copies of its opening.

use outlast_faultsim::part::{Bias, Chip, Geometry, Image, Part, Tear};
use outlast_kvstore::{Change, Layout, Store};

type Settings = Store<outlast_faultsim::part::Nor<1, 1>, 64>;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut words = std::env::args().skip(1);
    let (Some(image), Some(dump), Some(broken)) = (words.next(), words.next(), words.next()) else {
        return Err("usage: device IMAGE DUMP BROKEN".into());
    };
    let bytes = std::fs::read(image)?;
    let geometry = Geometry::new(u32::try_from(bytes.len() / 4096)?, 4096, 1, 256)?;
    let part = Part::new(Chip::new(geometry));
    part.chip_mut().power_up(&Image::from_bytes(&geometry, &bytes)?, Bias::ONES);

    let mut settings: Settings = Store::open(part.nor(), Layout::serial_nor())?;
    let mut buffer = [0; 64];
    let datum = settings.get("gauge.datum", &mut buffer)?.ok_or("no datum")?;
    let datum = i32::from_le_bytes(datum.try_into()?);
    println!("mounted: {} keys, the datum is {datum}", settings.usage().keys);
    settings.put("gauge.datum", &(datum + 6).to_le_bytes())?;
    println!("stored the datum {}", datum + 6);

    // The power fails when the second of three records is programmed.
    let so_far = part.chip().step_count();
    part.chip_mut().cut_at(so_far + 1, Tear::NOTHING);
    let changed = settings.commit(&[
        Change::put("alarm.low", &(-80_i16).to_le_bytes()),
        Change::put("alarm.high", &280_i16.to_le_bytes()),
    ]);
    println!("changed both alarm levels: {}", if changed.is_ok() { "done" } else { "power lost" });
    let mut bytes = part.chip().image().bytes().to_vec();
    std::fs::write(dump, &bytes)?;
    bytes[..32].fill(0x5A);
    bytes[4096 - 32..4096].fill(0x5A);
    std::fs::write(broken, bytes)?;
    Ok(())
}
