//! The store in the flash of the microcontroller itself, with resets.
//!
//! Goal: the store works in words of 4 bytes on a core of the smallest kind, over a flash model that
//! is not ours, and a reset at any instruction is a power cut like any other. Method: random
//! changes are typed, and the microcontroller is reset at random moments. Its flash keeps its
//! contents over that.
//!
//! The model programs a word at once and erases a page at once, so a reset leaves whole words.

use std::collections::BTreeMap;
use std::path::Path;
use std::thread;
use std::time::{Duration, Instant};

use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};

use crate::emulator::Emulator;

const RESETS: u32 = 40;
const STARTED: &str = "internal flash, 8192 bytes for settings";
const KEYS: [&str; 6] =
    ["gauge.datum", "gauge.every", "alarm.low", "alarm.high", "radio.power", "owner"];

type State = BTreeMap<String, String>;

/// How often a change in flight was found made, and not made.
#[derive(Debug, Default)]
struct Seen {
    changes: u32,
    made: u32,
    not_made: u32,
}

pub(crate) fn resets(firmware: &Path) -> Result<(), String> {
    let mut random = ChaCha8Rng::seed_from_u64(1);
    let mut emulator = Emulator::start_internal(firmware)?;
    emulator.line_ending(STARTED)?;
    // The emulated flash is not blank at first, but all zeros.
    emulator.line_with("error: no settings: the region holds data that is not a store")?;
    emulator.line_with("say: format")?;
    emulator.send("format")?;
    let (mut certain, mut seen) = (State::new(), Seen::default());
    let mut usual = Duration::from_millis(2);
    emulator.line_with("ready")?;
    for _ in 0..RESETS {
        for _ in 0..random.random_range(0..40) {
            let (key, value) = change(&mut random);
            let start = Instant::now();
            emulator.expect_ok(&format!("put {key} {value}"))?;
            usual = (usual * 7 + start.elapsed()) / 8;
            certain.insert(key.into(), value);
            seen.changes += 1;
        }
        let (key, value) = change(&mut random);
        emulator.send(&format!("put {key} {value}"))?;
        thread::sleep(usual.mul_f64(random.random_range(0.0..1.2)));
        restart(&mut emulator)?;
        let found = read(&mut emulator)?;
        let mut with = certain.clone();
        with.insert(key.into(), value);
        if found == with {
            certain = with;
            seen.made += 1;
        } else if found == certain {
            seen.not_made += 1;
        } else {
            return Err(format!("acknowledged: {certain:#?}\nin flight: {key}\nfound: {found:#?}"));
        }
        // What one power-up has shown, the next one shows.
        restart(&mut emulator)?;
        if read(&mut emulator)? != certain {
            return Err("another answer after a second reset".into());
        }
    }
    println!("{RESETS} resets in a change, {seen:?}");
    if seen.made == 0 || seen.not_made == 0 {
        return Err("the resets did not hit what they were meant to hit".into());
    }
    Ok(())
}

/// Resets the microcontroller, and waits until it has answered what was typed before that and not
/// yet received.
fn restart(emulator: &mut Emulator) -> Result<(), String> {
    emulator.reset()?;
    emulator.line_ending(STARTED)?;
    emulator.line_with("ready")?;
    emulator.send("get nothing")?;
    Ok(emulator.line_with("error: there is no such key").map(drop)?)
}

fn change(random: &mut ChaCha8Rng) -> (&'static str, String) {
    let key = KEYS[random.random_range(0..KEYS.len())];
    let longest = if random.random_bool(0.2) { 400 } else { 20 };
    let len = random.random_range(1..longest);
    let digits = |_| char::from(random.random_range(b'0'..=b'9'));
    (key, (0..len).map(digits).collect())
}

fn read(emulator: &mut Emulator) -> Result<State, String> {
    let mut found = State::new();
    for line in emulator.expect_ok("list")? {
        let (key, _) = line.split_once(' ').ok_or_else(|| format!("list: {line}"))?;
        let value = emulator.expect_ok(&format!("get {key}"))?;
        found.insert(key.into(), value.concat());
    }
    Ok(found)
}
