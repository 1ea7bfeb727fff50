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
mod images;
#[cfg(unix)]
mod sessions;

#[cfg(unix)]
fn main() {
    use libtest_mimic::{Arguments, Trial};

    let arguments = Arguments::from_args();
    let missing = emulator::missing();
    if let (Some(why), false) = (&missing, arguments.list) {
        eprintln!("Tests of the firmware are skipped: {why}");
        if std::env::var_os("OUTLAST_NO_SKIPS").is_some() {
            eprintln!("OUTLAST_NO_SKIPS is set: that is a failure.");
            std::process::exit(1);
        }
    }
    let trial = |name: &str, run: fn(&std::path::Path) -> Result<(), String>| {
        Trial::test(name, move || Ok(run(emulator::firmware()?)?))
            .with_ignored_flag(missing.is_some())
    };
    let trials = vec![
        trial("the_session_in_the_readme", sessions::readme),
        trial("foreign_data_are_kept_until_format", sessions::foreign_data),
        trial("every_command_answers", sessions::commands),
        trial("an_image_there_and_back", images::there_and_back),
        trial("what_reaches_the_chip", sessions::chip_commands),
        trial("power_cuts", cuts::run),
    ];
    libtest_mimic::run(&arguments, trials).exit();
}

#[cfg(not(unix))]
fn main() {
    println!("The emulator is driven over a Unix socket: not on this system.");
}
