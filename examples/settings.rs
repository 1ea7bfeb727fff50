//! A device keeps its settings through a power cut, on the simulated part.
//!
//! `cargo run --release --example settings`

use outlast_faultsim::part::{Bias, Chip, Geometry, Part, Tear};
use outlast_kvstore::{Change, Layout, Store};

type Settings = Store<outlast_faultsim::part::Nor<1, 1>, 16>;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    // Four sectors of 4 KiB of a serial NOR chip.
    let part = Part::new(Chip::new(Geometry::new(4, 4096, 1, 256)?));
    let mut settings: Settings = Store::open(part.nor(), Layout::serial_nor())?;
    settings.put("gauge.datum", &1234_i32.to_le_bytes())?;
    settings.commit(&[
        Change::put("alarm.low", &(-50_i16).to_le_bytes()),
        Change::put("alarm.high", &310_i16.to_le_bytes()),
    ])?;
    println!("stored the datum, and both alarm levels in one batch");

    // The power fails while both alarm levels are changed, after the first record and before the
    // second.
    let so_far = part.chip().step_count();
    part.chip_mut().cut_at(so_far + 1, Tear::NOTHING);
    let changed = settings.commit(&[
        Change::put("alarm.low", &(-80_i16).to_le_bytes()),
        Change::put("alarm.high", &280_i16.to_le_bytes()),
    ]);
    println!("power cut in the middle of a batch: {}", changed.is_err());

    let image = part.chip().image().clone();
    part.chip_mut().power_up(&image, Bias::ONES);
    let mut settings: Settings = Store::open(part.nor(), Layout::serial_nor())?;
    let mut buffer = [0; 16];
    for key in ["alarm.low", "alarm.high"] {
        let value = settings.get(key, &mut buffer)?.ok_or("a setting is lost")?;
        println!("{key} = {}", i16::from_le_bytes([value[0], value[1]]));
    }
    assert_eq!(settings.get("alarm.low", &mut buffer)?, Some(&(-50_i16).to_le_bytes()[..]));
    println!("{:?}", settings.usage());
    Ok(())
}
