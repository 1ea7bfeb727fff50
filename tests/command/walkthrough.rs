//! The sessions in `docs/`.
//!
//! Goal: a reader who types a command sees what the page shows. Method: each block marked as
//! `console` is run, and what it prints is compared with the page. `TRYCMD=overwrite` writes what
//! the commands print into the pages.

use std::path::PathBuf;
use std::process::Command;

/// The example that stands for a device, built if this test runs alone.
fn device() -> PathBuf {
    let outlast = PathBuf::from(env!("CARGO_BIN_EXE_outlast"));
    let folder = outlast.parent().expect("a folder");
    let mut build = Command::new(env!("CARGO"));
    build.args(["build", "--quiet", "--example", "device"]).current_dir(env!("CARGO_MANIFEST_DIR"));
    if folder.ends_with("release") {
        build.arg("--release");
    }
    assert!(build.status().expect("cargo runs").success());
    folder.join("examples").join("device")
}

#[test]
fn the_pages_show_what_the_commands_print() {
    trycmd::TestCases::new().register_bin("device", device()).case("docs/*.md");
}
