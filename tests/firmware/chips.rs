//! The same firmware with other chips.
//!
//! Goal: every form of addresses works with a chip model that is not ours, and a device without a
//! usable chip does its job on its defaults. Method: each chip is written to, and read after the
//! power was cut; everything outside the settings must be as before.

use std::path::Path;
use std::sync::atomic::{AtomicU32, Ordering};

use crate::emulator::{Chip, Emulator, Model};

/// What the driver sends an address with.
const MODELS: [Model; 6] = [
    // A mode of four address bytes, entered after write enable.
    Model { name: "n25q256a", size: 32, used: 32 },
    // The same without write enable.
    Model { name: "mx25l25635f", size: 32, used: 32 },
    Model { name: "is25wp256", size: 32, used: 32 },
    // Commands that take four address bytes.
    Model { name: "mt25ql01g", size: 128, used: 128 },
    // Three address bytes for a part of the chip.
    Model { name: "mx66l51235f", size: 64, used: 16 },
    // Three address bytes.
    Model { name: "is25lp128", size: 16, used: 16 },
];

/// It has no tables, and the firmware has no data sheet for it.
const UNKNOWN: Model = Model { name: "is25wp128", size: 16, used: 16 };

pub(crate) fn second_sources(firmware: &Path) -> Result<(), String> {
    for model in &MODELS {
        live(firmware, model, Emulator::start).map_err(|why| format!("{}: {why}", model.name))?;
    }
    Ok(())
}

/// Another core, and a controller that sends and receives at once.
pub(crate) fn on_riscv(firmware: &Path) -> Result<(), String> {
    const MODEL: Model = Model { name: "is25wp256", size: 32, used: 32 };
    live(firmware, &MODEL, Emulator::start_riscv)
}

type Start = fn(&Path, &Chip) -> Result<Emulator, String>;

fn live(firmware: &Path, model: &'static Model, start: Start) -> Result<(), String> {
    static COUNT: AtomicU32 = AtomicU32::new(0);
    let number = COUNT.fetch_add(1, Ordering::Relaxed);
    let chip = Chip::of(&format!("{}-{number}", model.name), model)?;
    for boot in 0..3 {
        let mut emulator = start(firmware, &chip)?;
        let settings = model.settings();
        let line = emulator.line_with("flash chip")?;
        let place = format!("settings in {:#010x}..{:#010x}", settings.start, settings.end);
        if !line.ends_with(&place) {
            return Err(format!("expected {place}, the firmware printed {line}"));
        }
        emulator.line_with("ready")?;
        if boot > 0 {
            let found = emulator.expect_ok("get owner")?;
            if found != [format!("boot {}", boot - 1)] {
                return Err(format!("boot {boot}: {found:?}"));
            }
        }
        emulator.expect_ok(&format!("put owner boot {boot}"))?;
        // More than a sector holds, so that sectors are erased.
        for number in 0..40 {
            emulator.expect_ok(&format!("put net.address {number} {}", "x".repeat(300)))?;
        }
        emulator.expect_ok("tidy")?;
        let usage = emulator.expect_ok("usage")?;
        if !usage.first().is_some_and(|line| line.starts_with("2 keys, ")) {
            return Err(format!("usage: {usage:?}"));
        }
        emulator.drain()?;
        emulator.kill()?;
    }
    if chip.rest_is_untouched()? { Ok(()) } else { Err("something else was changed".into()) }
}

/// The error names the chip, and the gauge runs.
pub(crate) fn none(firmware: &Path) -> Result<(), String> {
    let chip = Chip::of("unknown", &UNKNOWN)?;
    let emulator = Emulator::start(firmware, &chip)?;
    let error = emulator.line()?;
    if !error.starts_with("error: no flash chip: ") || !error.ends_with("(chip 9d 70 18, bank 1)") {
        return Err(error);
    }
    emulator.line_with("gauge: datum 0 mm, a sample every 60 s, no alarm")?;
    emulator.kill()?;
    if chip.rest_is_untouched()? { Ok(()) } else { Err("the chip was changed".into()) }
}
