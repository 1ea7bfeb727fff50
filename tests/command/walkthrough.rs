//! The sessions in `docs/`.
//!
//! Goal: a reader who types a command sees what the page shows. Method: each block marked as
//! `console` is run, and what it prints is compared with the page. `TRYCMD=overwrite` writes what
//! the commands print into the pages.

use std::path::PathBuf;
use std::process::Command;

/// An example, built if this test runs alone.
fn example(name: &str) -> PathBuf {
    let outlast = PathBuf::from(env!("CARGO_BIN_EXE_outlast"));
    let folder = outlast.parent().expect("a folder");
    let mut build = Command::new(env!("CARGO"));
    build.args(["build", "--quiet", "--example", name]).current_dir(env!("CARGO_MANIFEST_DIR"));
    if folder.ends_with("release") {
        build.arg("--release");
    }
    assert!(build.status().expect("cargo runs").success());
    folder.join("examples").join(name)
}

#[test]
fn the_pages_show_what_the_commands_print() {
    trycmd::TestCases::new().register_bin("device", example("device")).case("docs/*.md");
}

#[test]
fn the_readme_shows_what_its_first_example_prints() {
    let command = "$ cargo run --release --example settings";
    let (_, session) = include_str!("../../README.md").split_once(command).expect("the command");
    let (_, session) = session.split_once('\n').expect("what it prints");
    let (shown, _) = session.split_once("$ ").expect("the next command");
    let output = Command::new(example("settings")).output().expect("the example runs");
    let printed = String::from_utf8(output.stdout).expect("text");
    assert!(output.status.success() && printed.contains(shown), "{shown}\n{printed}");
}
