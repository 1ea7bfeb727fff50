//! Runs the commands of `docs/images.md`. `TRYCMD=overwrite` writes what they print into it.

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
fn the_walk_through_is_true() {
    trycmd::TestCases::new().register_bin("device", device()).case("docs/*.md");
}
