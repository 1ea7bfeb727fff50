//! Typed settings of an invented device, a tide gauge: defaults, ranges, a group saved as a whole,
//! a power cut in the middle of saving it, and an update of the firmware from version 1 to version
//! 2.
//!
//! `cargo run --release --example tide_gauge`

use heapless::String;
use outlast_faultsim::part::{Bias, Chip, Geometry, Nor, Part, Tear};
use outlast_kvstore::settings::{Declared, Setting, SettingBatch, export_json};
use outlast_kvstore::{Layout, Store};
use postcard_schema::Schema;
use serde::{Deserialize, Serialize};

type Settings = Store<Nor<1, 1>, 32>;

/// Version 1 of the firmware.
mod version_1 {
    use super::*;

    #[derive(Debug, Serialize, Deserialize, Schema)]
    pub(crate) struct Sampling {
        pub(crate) period_s: u16,
    }

    pub(crate) const SAMPLING: Setting<Sampling> =
        Setting::new("sampling", || Sampling { period_s: 360 });
}

/// Version 2 of the firmware: finer periods, and bursts of samples to average out waves.
mod version_2 {
    use super::*;

    #[derive(Debug, Serialize, Deserialize, Schema)]
    pub(crate) struct Sampling {
        pub(crate) period_ms: u32,
        pub(crate) burst: Option<u8>,
    }

    pub(crate) const SAMPLING: Setting<Sampling> =
        Setting::new("sampling", || Sampling { period_ms: 360_000, burst: None })
            .checked("a period of 1 s to 1 h", |s| (1_000..=3_600_000).contains(&s.period_ms));
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, Schema)]
struct Alarm {
    low_mm: i16,
    high_mm: i16,
}

#[derive(Debug, Serialize, Deserialize, Schema)]
enum Uplink {
    Off,
    Radio { channel: u8 },
}

const DATUM_M: Setting<f32> = Setting::new("gauge.datum", || 0.0)
    .checked("-20 m to 20 m", |datum| (-20.0..=20.0).contains(datum));
const STATION: Setting<String<16>> = Setting::new("station", String::new);
const UPLINK: Setting<Uplink> = Setting::new("uplink", || Uplink::Off);
/// A group: stored in one record and checked as a whole.
const ALARM: Setting<Alarm> = Setting::new("alarm", || Alarm { low_mm: -900, high_mm: 900 })
    .checked("low below high", |alarm| alarm.low_mm < alarm.high_mm);

const ALL: [&dyn Declared; 5] = [&DATUM_M, &STATION, &UPLINK, &ALARM, &version_2::SAMPLING];

fn power_up(part: &Part) -> Result<Settings, Box<dyn std::error::Error>> {
    let image = part.chip().image().clone();
    part.chip_mut().power_up(&image, Bias::ONES);
    Ok(Store::open(part.nor(), Layout::serial_nor())?)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let part = Part::new(Chip::new(Geometry::new(4, 4096, 1, 256)?));
    let mut store = power_up(&part)?;
    println!("-- version 1, fresh from the factory");
    println!("alarm: {:?}", ALARM.load(&mut store)?);
    DATUM_M.save(&mut store, &1.234)?;
    version_1::SAMPLING.save(&mut store, &version_1::Sampling { period_s: 60 })?;
    let wrong = DATUM_M.save(&mut store, &250.0);
    println!("refused: {}", wrong.err().map_or_else(String::<96>::new, |e| short(&e)));

    println!("-- the power fails while station, uplink and alarm are set together");
    let mut buffer = [0; 64];
    let commission = |buffer: &mut [u8], store: &mut Settings| {
        SettingBatch::<3>::new(buffer)
            .set(&STATION, &String::try_from("harbour wall").unwrap_or_default())
            .set(&UPLINK, &Uplink::Radio { channel: 17 })
            .set(&ALARM, &Alarm { low_mm: -600, high_mm: 650 })
            .commit(store)
    };
    let up = part.chip().step_count();
    part.chip_mut().cut_at(up + 2, Tear::NOTHING);
    println!("done: {}", commission(&mut buffer, &mut store).is_ok());
    let mut store = power_up(&part)?;
    let (station, alarm) = (STATION.load(&mut store)?, ALARM.load(&mut store)?);
    println!("after power-up: {station:?}, {alarm:?}");
    assert!(station.value.is_empty(), "no part of the batch may be stored");
    commission(&mut buffer, &mut store)?;

    println!("-- version 2 on the same flash");
    let mut store = power_up(&part)?;
    match version_2::SAMPLING.load(&mut store) {
        Ok(_) => return Err("a value of version 1 was read as one of version 2".into()),
        Err(error) => println!("detected: {error}"),
    }
    let sampling = version_2::SAMPLING.load_migrating(&mut store, |old| {
        let version_1::Sampling { period_s } = old.read()?;
        Some(version_2::Sampling { period_ms: u32::from(period_s) * 1000, burst: None })
    })?;
    println!("migrated: {sampling:?}");
    print!("{}", export_json(&mut power_up(&part)?, &ALL)?);
    Ok(())
}

/// The text of an error, as a device without an allocator would log it.
fn short(error: &impl core::fmt::Display) -> String<96> {
    let mut text = String::new();
    // Text that does not fit is left out.
    let _ = core::fmt::write(&mut text, format_args!("{error}"));
    text
}
