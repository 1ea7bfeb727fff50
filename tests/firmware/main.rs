//! The store as firmware in an emulator: `examples/firmware` on an emulated board, over the emulator's own model of
//! a serial NOR chip, with power cuts.
//!
//! Counted as ignored where the emulator or the target is missing, with a word on what to install. With
//! `OUTLAST_NO_SKIPS` set that is a failure.

#[cfg(unix)]
mod cuts;
#[cfg(unix)]
mod emulator;
#[cfg(unix)]
mod sessions;

#[cfg(unix)]
fn main() {
    use libtest_mimic::{Arguments, Trial};

    let arguments = Arguments::from_args();
    let firmware = emulator::firmware();
    if let (Err(why), false) = (&firmware, arguments.list) {
        eprintln!("{why}");
        if std::env::var_os("OUTLAST_NO_SKIPS").is_some() {
            std::process::exit(1);
        }
    }
    let trial = |name: &str, run: fn(&std::path::Path) -> Result<(), String>| {
        let firmware = firmware.clone();
        let missing = firmware.is_err();
        Trial::test(name, move || Ok(run(&firmware?)?)).with_ignored_flag(missing)
    };
    let trials = vec![
        trial("the_session_in_the_readme", sessions::readme),
        trial("foreign_data_are_kept_until_format", sessions::foreign_data),
        trial("every_command_answers", sessions::commands),
        trial("power_cuts", cuts::run),
    ];
    libtest_mimic::run(&arguments, trials).exit();
}

#[cfg(not(unix))]
fn main() {
    println!("The emulator is driven over a Unix socket: not on this system.");
}
