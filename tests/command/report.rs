//! The result as files: page, JUnit XML and JSON, also when a run is stopped.

use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::command_line::outlast;

fn file(name: &str) -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).join(name)
}

fn text(path: &Path) -> String {
    std::fs::read_to_string(path).expect("a file")
}

const NAIVE: [&str; 11] = [
    "torture",
    "--subject",
    "naive",
    "--sectors",
    "2",
    "--sector-bytes",
    "512",
    "--level",
    "F1",
    "--depth",
    "1",
];

#[test]
fn page_xml_and_json_agree() {
    let (page, xml) = (file("naive.html"), file("naive.xml"));
    let files = ["--report", page.to_str().unwrap(), "--junit", xml.to_str().unwrap(), "--json"];
    let output = outlast(&[&NAIVE[..], &files].concat());
    assert_eq!(output.status.code(), Some(1), "{}", String::from_utf8_lossy(&output.stderr));
    let outcome: Value = serde_json::from_slice(&output.stdout).expect("one JSON object");
    let (page, xml) = (text(&page), text(&xml));

    assert!(page.len() < 2 << 20, "{}", page.len());
    for forbidden in ["<script", "http:", "https:", "src=", "url(", "@import", "onclick"] {
        assert!(!page.contains(forbidden), "{forbidden}");
    }
    let violations = outcome["violations"].as_array().expect("a list");
    assert!(violations.len() > 3);
    for violation in violations {
        let token = violation["token"].as_str().expect("a token");
        assert!(page.contains(token) && xml.contains(token), "{token}");
    }
    assert!(page.contains(outcome["repeat"].as_str().expect("a command")));
    for section in ["work", "coverage", "promises", "cost", "failures", "planted", "gaps"] {
        assert!(page.contains(&format!("<section id=\"{section}\">")), "{section}");
    }
    let failures = format!("failures=\"{}\"", violations.len());
    assert_eq!(xml.matches(&failures).count(), 2, "{xml}");

    // The coverage adds up to the totals.
    let mut cuts = 0;
    let stages = outcome["stages"].as_array().expect("a list");
    for stage in stages {
        let mut points = 0;
        for line in stage["counts"]["ledger"].as_array().expect("a list") {
            points += line["planned"].as_u64().expect("a number");
            let tears = line["tears"].as_array().expect("a list");
            cuts += tears.iter().map(|tear| tear[1].as_u64().expect("a number")).sum::<u64>();
        }
        assert_eq!(stage["counts"]["planned"], points);
    }
    assert_eq!(outcome["totals"]["cuts"], cuts);
    let opens = &stages[0]["worst"]["opens"]["reads"];
    assert!(opens[0]["count"].as_u64().expect("a number") > 0, "{opens:#}");
}

#[test]
fn a_file_that_cannot_be_written_is_reported_before_the_run() {
    let output = outlast(&[&NAIVE[..], &["--report", "/no/such/folder/page.html"]].concat());
    assert_eq!(output.status.code(), Some(70));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.starts_with("outlast: cannot write /no/such/folder/page.html: "), "{said}");
    assert!(output.stdout.is_empty(), "nothing was run");
}

#[test]
fn planted_mistakes_are_shown() {
    let (page, matrix) = (file("planted.html"), file("planted.txt"));
    std::fs::write(&matrix, "bug <one> & two   F0  caught\n").expect("a file");
    let words = ["--report", page.to_str().unwrap(), "--planted", matrix.to_str().unwrap()];
    assert_eq!(outlast(&[&NAIVE[..], &words].concat()).status.code(), Some(1));
    let page = text(&page);
    assert!(page.contains("bug &lt;one&gt; &amp; two   F0  caught\n"), "escaped, as it is");
    std::fs::remove_file(&matrix).expect("a file");
    let output = outlast(&[&NAIVE[..], &words].concat());
    assert_eq!(output.status.code(), Some(2));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.starts_with("outlast: --planted "), "{said}");
}

/// POSIX signals; on other systems only the budget stops a run.
#[cfg(unix)]
#[test]
fn a_signal_ends_the_run_with_what_it_has() {
    use std::process::{Command, Stdio};
    use std::time::Duration;

    let page = file("stopped.html");
    let words = ["torture", "--deep", "100000000", "--json", "--report", page.to_str().unwrap()];
    // Like a job in the background that outlives its terminal.
    let deaf = ["-c", "trap '' INT HUP; exec \"$@\"", "sh", env!("CARGO_BIN_EXE_outlast")];
    let mut command = Command::new("sh");
    let child =
        command.args(deaf).args(words).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn();
    let mut child = child.expect("the command runs");
    let process = child.id().to_string();
    let kill = |signal: &str| {
        let kill = Command::new("kill").args([signal, process.as_str()]).status();
        assert!(kill.expect("kill").success());
        std::thread::sleep(Duration::from_secs(1));
    };
    std::thread::sleep(Duration::from_secs(1));
    kill("-HUP");
    kill("-INT");
    assert!(child.try_wait().expect("a state").is_none(), "it goes on");
    assert!(text(&page).contains("not finished"));
    kill("-TERM");
    let output = child.wait_with_output().expect("it ends");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(3), "{said}");
    assert!(said.contains("stopping"), "{said}");
    let outcome: Value = serde_json::from_slice(&output.stdout).expect("one JSON object");
    assert_eq!(outcome["verdict"], "incomplete");
    let reason = outcome["reason"].as_str().expect("a text");
    assert!(reason.starts_with("stopped by a signal; stage 1: "), "{reason}");
    assert!(outcome["totals"]["cuts"].as_u64().expect("a number") > 0);
    assert!(text(&page).contains("An incomplete run is not a pass"));
}
