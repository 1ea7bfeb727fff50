//! Tokens of fixed bugs must not reproduce; and how `outlast` uses a folder of them.

use std::path::Path;

use outlast_faultsim::history::Token;
use outlast_faultsim::report::Outcome;
use outlast_faultsim::subjects::by_name;

use crate::command_line::outlast;

const FOLDER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/regressions");

#[test]
fn fixed_bugs_stay_fixed() {
    let mut seen = 0;
    for entry in std::fs::read_dir(FOLDER).expect("the folder") {
        let path = entry.expect("a file").path();
        if path.extension().is_none_or(|end| end != "token") {
            continue;
        }
        let text = std::fs::read_to_string(&path).expect("text");
        let is_token = |line: &&str| !line.is_empty() && !line.starts_with('#');
        let token = text.lines().find(is_token).expect("a token");
        let token: Token = token.parse().unwrap_or_else(|why| panic!("{}: {why}", path.display()));
        let subject = by_name(&token.subject).expect("a store of this name");
        let replay = subject.replay(&token);
        assert_ne!(replay.outcome, Outcome::Reproduced, "{}: {replay:#?}", path.display());
        seen += 1;
    }
    assert!(seen > 0, "no token in {FOLDER}");
}

const SMALL: [&str; 9] =
    ["torture", "--sectors", "2", "--sector-bytes", "512", "--level", "F0", "--depth", "1"];

/// The exit code of a run of this store with this folder, and all its output.
fn torture(subject: &str, folder: &Path) -> (Option<i32>, String) {
    let folder = folder.to_str().expect("a path in UTF-8");
    let output = outlast(&[&SMALL[..], &["--subject", subject, "--regressions", folder]].concat());
    let said = [output.stdout, output.stderr].map(|bytes| String::from_utf8(bytes).expect("text"));
    (output.status.code(), said.concat())
}

#[test]
fn a_bug_that_is_back_is_a_violation_and_comes_first() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("kept");
    std::fs::create_dir_all(&folder).expect("a folder");
    let output = outlast(&[&SMALL[..], &["--subject", "naive", "--json"]].concat());
    let outcome: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let token = outcome["violations"][0]["token"].as_str().expect("a token");
    let kept = folder.join("rewrite.token");
    std::fs::write(&kept, format!("# the sector is gone while it is rewritten\n{token}\n"))
        .unwrap();
    std::fs::write(folder.join("notes.txt"), "not a token").unwrap();

    let (code, said) = torture("naive", &folder);
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("\nregressions: 0 pass, 1 reproduced, 0 diverged\n"), "{said}");
    assert!(said.contains("\n  rewrite is back: "), "{said}");
    assert!(said.contains("kept because: the sector is gone"), "{said}");
    // It is not replayed for another store.
    let (code, said) = torture("two-copies", &folder);
    assert_eq!(code, Some(0), "{said}");
    assert!(!said.contains("regressions:"), "{said}");

    std::fs::write(&kept, token).unwrap();
    let (code, said) = torture("naive", &folder);
    assert_eq!(code, Some(2));
    assert!(said.contains("rewrite.token: a line that begins with"), "{said}");
    let (code, said) = torture("naive", Path::new("/no/such/folder"));
    assert_eq!(code, Some(2));
    assert!(said.starts_with("outlast: --regressions /no/such/folder: "), "{said}");
}
