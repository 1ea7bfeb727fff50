//! Images to the device and back.
//!
//! Goal: what `outlast image` builds is what the firmware mounts, and a dump of the chip is what
//! `outlast image` reads. Method: an image is written into the emulated chip, the firmware changes
//! it, and the dump goes through every command.

use std::fs;
use std::path::Path;
use std::process::Command;

use crate::emulator::{Chip, Emulator, SETTINGS};

const UNIT: &str = "\
[layout]
sectors = 4
sector_bytes = 4096

[settings]
\"gauge.datum\" = { type = \"text\", value = \"1234\" }
\"gauge.every\" = { type = \"text\", value = \"30\" }
\"owner\" = { type = \"text\", value = \"harbour office\" }
";

/// Runs `outlast image` and returns what it printed, if it ended with this exit code.
fn image(words: &[&str], code: i32) -> Result<String, String> {
    let mut command = Command::new(env!("CARGO_BIN_EXE_outlast"));
    let output = command.arg("image").args(words).output().map_err(|error| error.to_string())?;
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    if output.status.code() == Some(code) {
        return Ok(text);
    }
    let errors = String::from_utf8_lossy(&output.stderr);
    Err(format!("outlast image {words:?}: {:?}, not {code}\n{text}{errors}", output.status))
}

fn has(text: &str, words: &[&str]) -> Result<(), String> {
    match words.iter().find(|word| !text.contains(**word)) {
        None => Ok(()),
        Some(word) => Err(format!("{word:?} is missing in:\n{text}")),
    }
}

/// Build, mount, change, kill, dump; then show, check, export and compare the dump.
pub(crate) fn there_and_back(firmware: &Path) -> Result<(), String> {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("there-and-back");
    fs::create_dir_all(&folder).map_err(|error| error.to_string())?;
    let path = |name: &str| folder.join(name).to_string_lossy().into_owned();
    let (unit, made, dump, exported) =
        (path("unit.toml"), path("made.bin"), path("dump.bin"), path("exported.toml"));
    fs::write(&unit, UNIT).map_err(|error| error.to_string())?;
    image(&["build", &unit, "--output", &made, "--force"], 0)?;

    let chip = Chip::new("there-and-back")?;
    chip.write(SETTINGS.start, &fs::read(&made).map_err(|error| error.to_string())?)?;
    let mut emulator = Emulator::start(firmware, &chip)?;
    emulator.line_with("gauge: datum 1234 mm, a sample every 30 s")?;
    emulator.line_with("ready, 3 keys")?;
    emulator.expect_ok("put gauge.datum 1240")?;
    emulator.expect_ok("delete owner")?;
    emulator.drain()?;
    emulator.kill()?;

    fs::write(&dump, chip.settings()?).map_err(|error| error.to_string())?;
    has(&image(&["show", &dump, "--types", &unit], 0)?, &["gauge.datum", "1240", "gauge.every"])?;
    has(
        &image(&["show", &dump, "--history", "gauge.datum", "--types", &unit], 0)?,
        &["1240", "1234"],
    )?;
    image(&["check", &dump], 0)?;
    has(&image(&["get", &dump, "gauge.datum", "--types", &unit], 0)?, &["1240"])?;
    image(&["export", &dump, "--types", &unit, "--output", &exported, "--force"], 0)?;
    let text = fs::read_to_string(&exported).map_err(|error| error.to_string())?;
    has(&text, &["gauge.datum", "1240", "gauge.every"])?;
    if text.contains("harbour") {
        return Err(format!("a deleted setting is exported:\n{text}"));
    }
    // Exit code 1: they differ.
    has(&image(&["diff", &made, &dump, "--types", &unit], 1)?, &["gauge.datum", "owner"])
}
