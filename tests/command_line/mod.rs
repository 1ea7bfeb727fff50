//! Runs the `outlast` command and reads what it prints.

#![allow(dead_code, reason = "each test needs its part of this")]

use std::process::{Command, Output, Stdio};

use serde_json::Value;

/// The command with these words, and nothing to read.
pub(crate) fn command(words: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_outlast"));
    command.args(words).stdin(Stdio::null());
    command
}

/// Runs it to its end.
pub(crate) fn outlast(words: &[&str]) -> Output {
    command(words).output().expect("the command runs")
}

pub(crate) fn code(output: &Output) -> i32 {
    output.status.code().expect("no signal ended it")
}

pub(crate) fn stdout(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("text")
}

pub(crate) fn stderr(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).expect("text")
}

/// What it printed with `--json`.
pub(crate) fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap_or_else(|error| {
        panic!("no JSON object and nothing else: {error}: {}", stderr(output))
    })
}
