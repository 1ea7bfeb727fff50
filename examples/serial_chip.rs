//! Settings on a serial NOR chip: the driver identifies the chip, and the store uses a range of it.
//! The chip is simulated. On a board, `spi` and `pause` are the `SpiDevice` and the `DelayNs` of
//! the microcontroller's hardware crate; the rest is the same.
//!
//! `cargo run --release --example serial_chip`

use outlast_faultsim::part::spi::{Pause, Profile, SpiChip};
use outlast_faultsim::part::{Bias, BusCut, Chip, Geometry, Part};
use outlast_kvstore::{Layout, Store};
use outlast_serialnor::{NotStarted, Options, SerialNor};

type Flash = SerialNor<SpiChip, Pause>;
type Settings = Store<Flash, 16>;

/// Four sectors of a chip with 128 MiB. Nothing else may use them.
fn range(part: &Part) -> std::ops::Range<u32> {
    let geometry = part.chip().geometry();
    let start = Profile::of(&geometry).base();
    start..start + geometry.bytes()
}

/// What the device does at each start.
fn start(part: &Part) -> Result<Settings, Box<dyn std::error::Error>> {
    let spi = SpiChip::new(part, Profile::of(&part.chip().geometry()));
    let pause = spi.pause();
    // The store reads back itself.
    let options = Options::new().with_verify(false).with_transfer_bytes(250);
    let flash = Flash::new(spi, pause, options).inspect_err(print)?;
    if let Some(id) = flash.id() {
        println!("chip {id}: {:?}", flash.chip().addressing);
    }
    Ok(Settings::open(flash, Layout::serial_nor().with_range(range(part)))?)
}

/// Prints the error; its text says what to do.
fn print(error: &NotStarted<SpiChip, Pause>) {
    eprintln!("the flash cannot be used: {error}");
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let part = Part::new(Chip::new(Geometry::new(4, 4096, 1, 256)?));
    let mut settings = start(&part)?;
    settings.put("gauge.datum", &1234_i32.to_le_bytes())?;

    // The watchdog resets the microcontroller while the chip programs. The chip carries on, and the
    // driver waits for it at the next start.
    let now = part.chip().bus_moments();
    part.chip_mut().cut_on_bus(now + 105, BusCut::Reset);
    let changed = settings.put("gauge.datum", &1250_i32.to_le_bytes());
    assert!(changed.is_err() && part.chip().is_reset());
    println!("reset in the middle of a put");
    part.chip_mut().restart();
    let mut settings = start(&part)?;
    let mut buffer = [0; 16];
    let datum = settings.get("gauge.datum", &mut buffer)?.ok_or("the datum is lost")?;
    println!("gauge.datum = {}", i32::from_le_bytes(datum.try_into()?));

    // The supply fails.
    let image = part.chip().image().clone();
    part.chip_mut().power_up(&image, Bias::ONES);
    let mut settings = start(&part)?;
    assert!(settings.get("gauge.datum", &mut buffer)?.is_some());
    Ok(())
}
