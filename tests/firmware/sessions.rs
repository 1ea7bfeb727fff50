//! Sessions typed at the firmware.
//!
//! Goal: each command does what its documentation says, and sends the chip nothing else. Method:
//! lines are typed and the answers compared, with the README of the example among them. The power
//! is cut only in that one.

use std::path::Path;

use crate::emulator::{Chip, Emulator, SETTINGS};

const READY: &str = "ready";

/// The session in the README of the example is what the firmware says.
pub(crate) fn readme(firmware: &Path) -> Result<(), String> {
    let readme = include_str!("../../examples/firmware/README.md");
    let (_, text) =
        readme.split_once("```\n$ examples/firmware/run\n").ok_or("no session there")?;
    let (session, _) = text.split_once("```").ok_or("the session does not end")?;
    let chip = Chip::new("readme")?;
    let mut emulator = Emulator::start(firmware, &chip)?;
    let mut commands = 0;
    for expected in session.lines() {
        match (expected, expected.strip_prefix("> ")) {
            ("Killed", _) => {
                emulator.drain()?;
                emulator.kill()?;
                emulator = Emulator::start(firmware, &chip)?;
            }
            ("> ", _) | ("$ examples/firmware/run", _) => {}
            (_, Some(command)) => {
                emulator.send(command)?;
                commands += 1;
                // The firmware echoes what is typed.
                let printed = emulator.line()?;
                if printed != expected {
                    return Err(format!(
                        "the README has {expected:?}, the firmware printed {printed:?}"
                    ));
                }
            }
            (_, None) => {
                let printed = emulator.line()?;
                if printed != expected {
                    return Err(format!(
                        "the README has {expected:?}, the firmware printed {printed:?}"
                    ));
                }
            }
        }
    }
    if commands < 3 { Err("that is no session".into()) } else { Ok(()) }
}

/// Data that are not a store are reported and kept, and `format` makes a store.
pub(crate) fn foreign_data(firmware: &Path) -> Result<(), String> {
    let chip = Chip::new("foreign")?;
    chip.write(SETTINGS.start + 100, b"somebody else's")?;
    let before = chip.settings()?;
    let mut emulator = Emulator::start(firmware, &chip)?;
    emulator.line_with("error: no settings: the region holds data that is not a store")?;
    emulator.line_with("say: format")?;
    emulator.send("put a 1")?;
    emulator.line_with("error: say format or open")?;
    emulator.send("open")?;
    emulator.line_with("error: no settings")?;
    emulator.drain()?;
    if chip.settings()? != before {
        return Err("foreign data were changed".into());
    }
    emulator.send("format")?;
    emulator.line_with("ready, 0 keys")?;
    emulator.expect_ok("put a 1")?;
    emulator.drain()?;
    emulator.kill()?;
    let mut emulator = Emulator::start(firmware, &chip)?;
    emulator.line_with("ready, 1 key;")?;
    equal("get a", emulator.expect_ok("get a")?, &["1"])?;
    if chip.rest_is_untouched()? { Ok(()) } else { Err("something else was changed".into()) }
}

/// Each command once, and the mistakes a person can make.
pub(crate) fn commands(firmware: &Path) -> Result<(), String> {
    let chip = Chip::new("commands")?;
    let mut emulator = Emulator::start(firmware, &chip)?;
    emulator.line_with(READY)?;
    for line in ["put name the old pier ", "put count 17", "commit count=18 low=-5 -name"] {
        equal(line, emulator.expect_ok(line)?, &[])?;
    }
    let mut list = emulator.expect_ok("list")?;
    list.sort();
    equal("list", list, &["count 2", "low 2"])?;
    equal("get count", emulator.expect_ok("get count")?, &["18"])?;
    equal("delete low", emulator.expect_ok("delete low")?, &[])?;
    equal("tidy", emulator.expect_ok("tidy")?, &[])?;
    let usage = emulator.expect_ok("usage")?;
    if !usage.first().is_some_and(|line| line.starts_with("1 key, ")) || usage.len() != 1 {
        return Err(format!("usage: {usage:?}"));
    }
    let longest = format!("put long {}", "x".repeat(460));
    equal("a long value", emulator.expect_ok(&longest)?, &[])?;
    equal("get long", emulator.expect_ok("get long")?, &[&longest[9..]])?;
    equal("clear", emulator.expect_ok("clear")?, &[])?;
    equal("list", emulator.expect_ok("list")?, &[])?;
    if emulator.expect_ok("help")?.len() < 8 {
        return Err("help is short".into());
    }
    let too_long = "x".repeat(1000);
    let long_key = format!("get {}", "k".repeat(65));
    for (line, error) in [
        ("get nothing", "error: there is no such key"),
        ("delete nothing", "error: there is no such key"),
        ("put nothing", "error: say: put KEY VALUE"),
        ("commit nothing", "error: say: commit KEY=VALUE -KEY ..."),
        ("commit", "error: say: commit KEY=VALUE -KEY ..."),
        ("commit a= b= c= d= e= f= g= h= i=", "error: no more than 8 changes at once"),
        ("nonsense", "error: no such command; say: help"),
        (&long_key, "error: a key must have 1 to 64 bytes"),
        (&too_long, "error: the line is too long or not plain ASCII"),
        ("get é", "error: the line is too long or not plain ASCII"),
    ] {
        equal(line, emulator.ask(line)?, &[error])?;
    }
    // Backspace and delete.
    equal("put x", emulator.expect_ok("puttx\x08\x7f x 12")?, &[])?;
    equal("get x", emulator.expect_ok("get x")?, &["12"])
}

/// The emulator's own log shows the expected commands to the chip and no complaint.
///
/// Program, erase and read with four address bytes are 12h, 21h and 13h in the chip's tables
/// (JESD216, 4-byte address instruction table).
pub(crate) fn chip_commands(firmware: &Path) -> Result<(), String> {
    let chip = Chip::new("traced")?;
    let mut emulator = Emulator::start_traced(firmware, &chip)?;
    emulator.line_with(READY)?;
    let count = |log: &str, command: u8| log.matches(&format!("command:{command:#x}\n")).count();
    let long = "x".repeat(450);
    // `Store::put` states one call per 256 bytes of record, and the driver splits a call at a page
    // boundary. Pages of 256 bytes are common practice, no source.
    for (line, programs) in [
        ("put name pier", 1..=2),
        ("get name", 0..=0),
        ("put name the old pier", 1..=2),
        // This value is stored already.
        ("put name the old pier", 0..=0),
        (&format!("put long {long}"), 2..=4),
        // Three changes and the commit.
        ("commit a=1 b=2 -name", 4..=8),
        ("list", 0..=0),
    ] {
        let before = chip.log()?;
        emulator.expect_ok(line)?;
        let log = chip.log()?;
        let new = &log[before.len()..];
        let done = count(new, 0x12);
        let is_good = programs.contains(&done) && count(new, 0x06) == done && count(new, 0x21) == 0;
        // A `get` that hits takes two reads at most (docs/figures.md).
        if !is_good || line == "get name" && !(1..=2).contains(&count(new, 0x13)) {
            return Err(format!("{line}: expected {programs:?} programs:\n{new}"));
        }
    }
    emulator.expect_ok("clear")?;
    let log = chip.log()?;
    if count(&log, 0x21) == 0 {
        return Err("nothing was erased".into());
    }
    // The emulator's names for its chip and its controller. At the start the driver sends FFh, which
    // is a command only in the modes that it ends.
    let complaints = ["M25P80", "aspeed_smc"];
    let is_complaint = |line: &&str| complaints.iter().any(|name| line.starts_with(name));
    let mode_exit = "M25P80: Unknown cmd ff";
    match log.lines().filter(is_complaint).find(|line| *line != mode_exit) {
        Some(complaint) => Err(format!("the emulator complains: {complaint}")),
        None => Ok(()),
    }
}

fn equal(what: &str, found: Vec<String>, expected: &[&str]) -> Result<(), String> {
    if found == expected {
        Ok(())
    } else {
        Err(format!("{what}: expected {expected:?}, found {found:?}"))
    }
}
