//! The test that `outlast replay --emit-test` prints compiles unchanged, fails while the bug is
//! there, and passes on a store without it.

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::SystemTime;

use crate::command_line::{outlast, stdout};

/// The builds of the rig's library next to this test, newest first.
fn libraries() -> Vec<PathBuf> {
    let test = std::env::current_exe().expect("this test");
    let folder = test.parent().expect("a folder");
    let mut found: Vec<(SystemTime, PathBuf)> = Vec::new();
    for entry in folder.read_dir().expect("the folder").flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        if name.starts_with("liboutlast_faultsim-") && name.ends_with(".rlib") {
            let time = entry.metadata().and_then(|data| data.modified());
            found.push((time.unwrap_or(SystemTime::UNIX_EPOCH), entry.path()));
        }
    }
    found.sort();
    found.into_iter().rev().map(|(_, path)| path).collect()
}

/// Compiles the source as a test. Cargo may have left libraries of other builds there, so all are
/// tried.
fn compile(source: &Path) -> PathBuf {
    let program = source.with_extension("test");
    let mut complaints = Vec::new();
    for library in libraries() {
        let dependencies = library.parent().expect("a folder").display().to_string();
        let output = Command::new(std::env::var("RUSTC").unwrap_or_else(|_| "rustc".to_owned()))
            .args(["--edition", "2024", "--test", "-D", "warnings"])
            .args(["-L", &format!("dependency={dependencies}")])
            .args(["--extern", &format!("outlast_faultsim={}", library.display())])
            .arg("-o")
            .arg(&program)
            .arg(source)
            .output()
            .expect("rustc runs");
        if output.status.success() {
            return program;
        }
        complaints.push(String::from_utf8_lossy(&output.stderr).into_owned());
    }
    panic!("does not compile: {:?}", complaints.first());
}

fn run(program: &Path) -> Output {
    Command::new(program).stdin(Stdio::null()).output().expect("the test runs")
}

#[test]
fn the_printed_test_fails_while_the_bug_is_there() {
    let words =
        "torture --subject naive --sectors 2 --sector-bytes 512 --level F1 --depth 1 --json";
    let outcome = stdout(&outlast(&words.split(' ').collect::<Vec<_>>()));
    let outcome: serde_json::Value = serde_json::from_str(&outcome).expect("JSON");
    let violation = &outcome["violations"][0];
    let token = violation["token"].as_str().expect("a token");
    let source = stdout(&outlast(&["replay", "--emit-test", token]));
    let sentence = violation["sentence"].as_str().expect("a sentence");
    assert!(source.contains(&format!("// {sentence}.\n")), "{source}");

    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join("emitted_naive.rs");
    std::fs::write(&path, &source).expect("a file");
    let output = run(&compile(&path));
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(!output.status.success(), "the naive rewrite is as it was: {said}");
    assert!(said.contains(sentence) && said.contains("1 failed"), "{said}");

    // The same history on a store that survives it.
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join("emitted_two_copies.rs");
    std::fs::write(&path, source.replace("by_name(\"naive\")", "by_name(\"two-copies\")"))
        .expect("a file");
    let output = run(&compile(&path));
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success() && said.contains("1 passed"), "{said}");
}
