//! The code in the pages of `docs/`.
//!
//! Goal: code that is copied from a page compiles and does what the page says. Method: the code is
//! also here, between a line that names the page and a line that marks the end, and the page must
//! contain exactly these lines.

use std::error::Error;

use outlast_faultsim::default_plan::Usual;
use outlast_faultsim::part::spi::{Pause, SpiChip};
use outlast_faultsim::part::{Chip, Geometry, GeometryError, Level, Nor, Part};
use outlast_faultsim::report::Verdict;
use outlast_faultsim::run::{Progress, run};
use outlast_faultsim::subjects::two_copies::TwoCopies;
use outlast_kvstore::settings::{Setting, SettingError, Source};
use outlast_kvstore::{Layout, Store};
use outlast_serialnor::embedded_hal::delay::DelayNs;
use outlast_serialnor::embedded_hal::spi::SpiDevice;
use postcard_schema::Schema;
use serde::{Deserialize, Serialize};

#[test]
fn the_pages_show_code_that_is_compiled() {
    let this = include_str!("page_code.rs");
    let mut seen = 0;
    for part in this.split("\n    // page: docs/").skip(1) {
        let (name, rest) = part.split_once('\n').expect("the name of a page");
        let (code, _) = rest.split_once("    // end of the page's code\n").expect("its end");
        let page = format!("{}/docs/{name}", env!("CARGO_MANIFEST_DIR"));
        let page = std::fs::read_to_string(page).expect("the page");
        let lines = code.lines().map(|line| line.strip_prefix("    ").unwrap_or(line));
        let block = format!("```rust\n{}\n```\n", lines.collect::<Vec<_>>().join("\n"));
        assert!(page.contains(&block), "not in docs/{name}:\n{block}");
        seen += 1;
    }
    assert_eq!(seen, 3);
}

/// The simulated chip has its cells in another range, so this is only compiled.
fn driver<S: SpiDevice + 'static, D: DelayNs + 'static>(
    spi: S,
    delay: D,
) -> Result<(), Box<dyn Error>> {
    // page: docs/driver.md
    use outlast_serialnor::{DataSheet, Options, SerialNor};

    // Erases 4096 bytes, programs single bytes. The store reads back itself what it programs.
    let options = Options::new().with_verify(false);
    let flash: SerialNor<_, _> = SerialNor::new(spi, delay, options)?;
    let layout = Layout::serial_nor().with_range(0x7F_0000..0x80_0000);
    let store: Store<_, 64> = Store::open(flash, layout)?;
    // Where the tables are missing or wrong, and for hosts with short transfers:
    let sheet = DataSheet::new().with_capacity(16 << 20);
    let options = Options::new().with_data_sheet(sheet).with_transfer_bytes(250);
    // end of the page's code
    drop((store, options));
    Ok(())
}

#[test]
fn the_driver_takes_a_chip() {
    let _: fn(SpiChip, Pause) -> Result<(), Box<dyn Error>> = driver;
}

/// What an earlier version of the firmware stored.
#[derive(Serialize, Deserialize, Schema)]
struct ProfileV1 {
    period_s: u16,
}

#[derive(Debug, PartialEq, Serialize, Deserialize, Schema)]
struct Profile {
    period_ms: u32,
}

impl From<ProfileV1> for Profile {
    fn from(old: ProfileV1) -> Self {
        Self { period_ms: u32::from(old.period_s) * 1000 }
    }
}

#[test]
fn a_setting_is_a_constant() -> Result<(), Box<dyn Error>> {
    const PROFILE: Setting<Profile> = Setting::new("profile", || Profile { period_ms: 60_000 });
    const EARLIER: Setting<ProfileV1> = Setting::new("profile", || ProfileV1 { period_s: 60 });
    let part = Part::new(Chip::new(Geometry::new(4, 4096, 1, 256)?));
    let mut store: Store<Nor<1, 1>, 64> = Store::open(part.nor(), Layout::serial_nor())?;
    EARLIER.save(&mut store, &ProfileV1 { period_s: 30 })?;
    // page: docs/store.md
    const CHANNEL: Setting<u8> = Setting::new("radio.channel", || 11)
        .checked("11 to 26", |channel| (11..=26).contains(channel));

    // The value, and whether it is stored, migrated or the default.
    let channel = CHANNEL.load(&mut store)?;
    CHANNEL.save(&mut store, &15)?;
    // "setting 'radio.channel': out of range (allowed: 11 to 26)"
    let refused = CHANNEL.save(&mut store, &27);
    // A value of the earlier type is turned into one of the present type, and stored.
    let profile =
        PROFILE.load_migrating(&mut store, |old| old.read::<ProfileV1>().map(Profile::from))?;
    // end of the page's code
    assert_eq!((channel.value, channel.source), (11, Source::Default));
    let words = refused.as_ref().map_err(SettingError::to_string).expect_err("it was refused");
    assert_eq!(words, "setting 'radio.channel': out of range (allowed: 11 to 26)");
    assert_eq!((profile.value.period_ms, profile.source), (30_000, Source::Migrated));
    Ok(())
}

#[test]
fn the_usual_stages_run_a_store_of_ones_own() -> Result<(), GeometryError> {
    let your_store = TwoCopies;
    let (geometry, level) = (Geometry::new(2, 512, 1, 256)?, Level::F0);
    let usual = Usual { depth: 1, ..Usual::new(geometry, level) };
    // page: docs/testing-your-store.md
    for config in usual.stages() {
        let report = run(&config, &your_store, &Progress::default());
        assert_eq!(report.verdict, Verdict::Clean, "{:#?}", report.violations);
    }
    // end of the page's code
    Ok(())
}
