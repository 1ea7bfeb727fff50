//! A store in C under the rig, without changes to the store: the planted bug of the example is
//! found, shrunk and replayed, and the twin without the bug passes.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use crate::command_line::{json, outlast};

const FOLDER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/examples/c-subject");
/// The log uses two sectors and units of one byte.
const PART: [&str; 4] = ["--sectors", "2", "--sector-bytes", "512"];

/// Compiles C sources of the example, some of them changed, with the machine's C compiler.
fn build(name: &str, sources: &[PathBuf], options: &[&str]) -> PathBuf {
    let program = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    let compiler = std::env::var("CC").unwrap_or_else(|_| "cc".to_owned());
    let output = Command::new(&compiler)
        .args(["-std=c11", "-O1", "-Wall", "-Wextra", "-Werror", "-I", FOLDER])
        .args(options)
        .arg("-o")
        .arg(&program)
        .args(sources)
        .output()
        .unwrap_or_else(|error| panic!("a C compiler is needed ({compiler}): {error}"));
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    program
}

fn source(name: &str) -> PathBuf {
    Path::new(FOLDER).join(name)
}

fn gauge_log(name: &str, options: &[&str]) -> PathBuf {
    build(name, &["main.c", "gauge_log.c", "outlast_subject.c"].map(source), options)
}

fn torture(program: &Path, words: &[&str]) -> Output {
    let program = program.to_str().expect("a path in UTF-8");
    outlast(&[&["torture", "--program", program, "--depth", "1"], &PART[..], words].concat())
}

#[test]
fn the_planted_bug_is_found_shrunk_and_replayed() {
    let program = gauge_log("gauge-log", &[]);
    let output = torture(&program, &["--level", "F0", "--json"]);
    assert_eq!(output.status.code(), Some(1), "{}", String::from_utf8_lossy(&output.stderr));
    let outcome = json(&output);
    assert_eq!(outcome["subject"], "gauge-log");
    let repeat = outcome["repeat"].as_str().expect("a command");
    assert!(repeat.contains("--program "), "{repeat}");
    let violations = outcome["violations"].as_array().expect("a list");
    let lost = violations.iter().find(|violation| violation["signature"]["breach"] == "lost");
    let lost = lost.expect("settings are lost when a cut falls between header and copy");
    assert_eq!(lost["level"], "F0", "a cut between two programs is enough");
    assert_eq!(lost["minimised"], true, "{lost:#}");
    // Long values fill the sector instead of a long series of puts.
    let operations = lost["operations"].as_array().expect("a list");
    assert!(operations.len() <= 4, "{operations:#?}");
    assert!(!lost["scenes"].as_array().expect("a list").is_empty());

    let token = lost["token"].as_str().expect("a token");
    let path = program.to_str().expect("a path in UTF-8");
    let output = outlast(&["replay", "--program", path, "--json", token]);
    assert_eq!(output.status.code(), Some(1));
    assert_eq!(json(&output)["outcome"], "reproduced");
    // The same history on the twin, which makes other writes, does not count as passing.
    let twin = gauge_log("gauge-log-twin", &["-DHEADER_LAST"]);
    let twin = twin.to_str().expect("a path in UTF-8");
    let output = outlast(&["replay", "--program", twin, "--json", token]);
    assert_ne!(json(&output)["outcome"], "reproduced");
    // Without the program there is nothing to run.
    let output = outlast(&["replay", token]);
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("--program"));
}

/// On a part with sectors of 4 KiB, which take hundreds of operations to fill.
#[test]
fn the_bug_is_shrunk_on_a_large_part_too() {
    let program = gauge_log("gauge-log-large", &[]);
    let path = program.to_str().expect("a path in UTF-8");
    let words = ["--sectors", "2", "--level", "F1", "--depth", "1", "--json"];
    let outcome = json(&outlast(&[&["torture", "--program", path], &words[..]].concat()));
    let violations = outcome["violations"].as_array().expect("a list");
    let lost = violations.iter().find(|violation| violation["signature"]["breach"] == "lost");
    let operations = lost.expect("a loss")["operations"].as_array().expect("a list");
    assert!(operations.len() <= 4, "{operations:#?}");
}

#[test]
fn the_twin_without_the_bug_passes() {
    let program = gauge_log("gauge-log-fixed", &["-DHEADER_LAST"]);
    let output = torture(&program, &["--level", "F0", "--json"]);
    let outcome = json(&output);
    assert_eq!(outcome["verdict"], "clean", "{:#}", outcome["violations"]);
    assert!(outcome["totals"]["distinct"].as_u64().expect("a number") > 50, "{outcome:#}");
}

#[test]
fn a_crash_is_a_finding() {
    // The same glue around a log that aborts when it finds a torn record.
    let text = std::fs::read_to_string(source("gauge_log.c")).expect("the example");
    let check = "(head[2] | head[3] << 8)) return GAUGE_OK;";
    assert!(text.contains(check));
    let aborts = text.replacen(check, "(head[2] | head[3] << 8)) abort();", 1);
    let changed = Path::new(env!("CARGO_TARGET_TMPDIR")).join("gauge_log_crashes.c");
    std::fs::write(&changed, format!("#include <stdlib.h>\n{aborts}")).expect("a file");
    let sources = [source("main.c"), changed, source("outlast_subject.c")];
    let program = build("gauge-log-crashes", &sources, &["-DHEADER_LAST"]);
    let output = torture(&program, &["--level", "F1", "--json"]);
    assert_eq!(output.status.code(), Some(1), "{}", String::from_utf8_lossy(&output.stderr));
    let outcome = json(&output);
    let violations = outcome["violations"].as_array().expect("a list");
    let crash = violations.iter().find(|violation| violation["signature"]["breach"] == "panicked");
    let crash = crash.unwrap_or_else(|| panic!("{violations:#?}"));
    let sentence = crash["sentence"].as_str().expect("a sentence");
    assert!(sentence.contains("killed by signal 6"), "{sentence}");
}

/// Ctrl-C sends its signal to every process of the group. `env` is that of GNU.
#[cfg(target_os = "linux")]
#[test]
fn a_signal_to_the_whole_group_is_no_crash() {
    use std::os::unix::process::CommandExt as _;

    let program = gauge_log("gauge-log-stopped", &["-DHEADER_LAST"]);
    let program = program.to_str().expect("a path in UTF-8");
    for signal in ["INT", "TERM"] {
        // With random lives this takes tens of seconds. If the tests run in the background, SIGINT
        // may be ignored, and the command respects that.
        let run = Command::new("env")
            .args(["--default-signal=INT", env!("CARGO_BIN_EXE_outlast")])
            .args(["torture", "--program", program, "--sectors", "2", "--level", "F0"])
            .process_group(0)
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .expect("the command");
        std::thread::sleep(std::time::Duration::from_secs(2));
        let group = format!("-{}", run.id());
        let sent = Command::new("kill").args(["-s", signal, "--", &group]).status();
        assert!(sent.expect("kill").success());
        let output = run.wait_with_output().expect("the result");
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        assert_eq!(output.status.code(), Some(3), "{text}");
        assert!(text.contains("stopped by a signal"), "{text}");
    }
}

#[test]
fn a_program_that_is_no_subject_is_refused() {
    for (path, why) in [("/no/such/program", "cannot be started"), ("/bin/true", "it ended")] {
        let output = torture(Path::new(path), &[]);
        assert_eq!(output.status.code(), Some(2));
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(said.starts_with("outlast: --program ") && said.contains(why), "{said}");
    }
}
