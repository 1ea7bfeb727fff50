//! The store as firmware in an emulator.
//!
//! Goal: store and driver keep their promises as a program that starts from nothing, over a chip
//! model that is not ours. Method: `examples/firmware` runs on an emulated board; the tests type
//! commands, read answers and the emulator's log of the chip, and kill the emulator.
//!
//! Where the emulator or the target is missing the tests count as ignored, and a message says what
//! to install. With `OUTLAST_NO_SKIPS` set that is a failure.

#[cfg(unix)]
mod chips;
#[cfg(unix)]
mod cuts;
#[cfg(unix)]
mod emulator;
#[cfg(unix)]
mod images;
#[cfg(unix)]
mod internal;
#[cfg(unix)]
mod sessions;

#[cfg(unix)]
fn main() {
    use libtest_mimic::{Arguments, Trial};

    let arguments = Arguments::from_args();
    let programs = [&emulator::WITH_CHIP, &emulator::INTERNAL, &emulator::RISCV];
    let missing = programs.map(|program| program.missing());
    if let (Some(why), false) = (missing.iter().flatten().next(), arguments.list) {
        eprintln!("Tests of the firmware are skipped: {why}");
        if std::env::var_os("OUTLAST_NO_SKIPS").is_some() {
            eprintln!("OUTLAST_NO_SKIPS is set: that is a failure.");
            std::process::exit(1);
        }
    }
    let [no_chip, no_internal, no_riscv] = missing.map(|missing| missing.is_some());
    let trial = |name: &str, run: fn(&std::path::Path) -> Result<(), String>| {
        Trial::test(name, move || Ok(run(emulator::WITH_CHIP.path()?)?)).with_ignored_flag(no_chip)
    };
    let on_riscv = || Ok(chips::on_riscv(emulator::RISCV.path()?)?);
    let resets = || Ok(internal::resets(emulator::INTERNAL.path()?)?);
    let trials = vec![
        trial("the_session_in_the_readme", sessions::readme),
        trial("foreign_data_are_kept_until_format", sessions::foreign_data),
        trial("every_command_answers", sessions::commands),
        trial("an_image_there_and_back", images::there_and_back),
        trial("what_reaches_the_chip", sessions::chip_commands),
        trial("every_second_source", chips::second_sources),
        trial("no_chip", chips::none),
        trial("power_cuts", cuts::run),
        Trial::test("a_chip_on_a_riscv_core", on_riscv).with_ignored_flag(no_riscv),
        Trial::test("resets_with_internal_flash", resets).with_ignored_flag(no_internal),
    ];
    libtest_mimic::run(&arguments, trials).exit();
}

#[cfg(not(unix))]
fn main() {
    println!("The emulator is driven over a Unix socket, which this system does not have.");
}
