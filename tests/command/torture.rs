//! `outlast torture`, `replay` and `merge` as their users see them: output and exit codes.

use std::io::Read as _;
use std::process::{Output, Stdio};

use serde_json::Value;

use crate::command_line::{code, command, json, outlast, stderr, stdout};

/// A part that is small enough for a debug build.
const SMALL: [&str; 6] = ["--sectors", "2", "--sector-bytes", "512", "--page", "64"];

fn torture(words: &[&str]) -> Output {
    outlast(&[&["torture"], &SMALL[..], words].concat())
}

#[test]
fn help_shows_examples_and_exit_codes() {
    let common = ["2   wrong usage", "70  internal error"];
    for (words, own, others) in [
        (&["--help"][..], &["0   done"][..], &["  3   "][..]),
        (
            &["torture", "--help"],
            &["0   clean", "1   a violation", "3   incomplete", "4   the store fails without"],
            &["  6   ", "  8   "],
        ),
        (&["replay", "--help"], &["1   reproduced", "6   diverged"], &["  3   ", "  5   "]),
        (&["image", "check", "--help"], &["0   clean", "10  interrupted"], &["  1   ", "  8   "]),
    ] {
        let output = outlast(words);
        assert_eq!(code(&output), 0, "{words:?}");
        let text = stdout(&output);
        for class in own.iter().chain(&common) {
            assert!(text.contains(class), "{words:?} lacks '{class}'");
        }
        for class in others {
            assert!(!text.contains(class), "{words:?} cannot end with '{class}'");
        }
        assert!(stderr(&output).is_empty());
        assert!(!text.contains('\x1b'), "no colours");
    }
    let torture = stdout(&outlast(&["torture", "--help"]));
    for word in [
        "--subject",
        "--through",
        "--sectors",
        "--sector-bytes",
        "--unit",
        "--page",
        "--level",
        "--depth",
        "--seed",
        "--budget",
        "--deep",
        "--json",
        "--program",
        "--report",
        "--junit",
        "--regressions",
        "Examples:",
        "outlast torture --unit 8",
    ] {
        assert!(torture.contains(word), "{word}");
    }
    assert!(stdout(&outlast(&["replay", "--help"])).contains("Examples:"));
    let version = outlast(&["--version"]);
    assert_eq!(stdout(&version), concat!("outlast ", env!("CARGO_PKG_VERSION"), "\n"));
}

#[test]
fn wrong_usage_is_refused_in_one_way() {
    for words in [
        &[][..],
        &["torment"],
        &["torture", "--subject", "hope"],
        &["torture", "--sectors", "one"],
        &["torture", "--sector-bytes", "100"],
        &["torture", "--unit", "5"],
        &["torture", "--page", "3"],
        &["torture", "--level", "F9"],
        &["torture", "--depth", "0"],
        &["torture", "--seed", "-1"],
        &["torture", "--budget", "soon"],
        &["torture", "--deep", "0"],
        &["torture", "extra"],
        &["replay"],
        &["replay", ""],
        &["replay", "cut2-aaaaaaaa"],
        &["replay", "hello"],
    ] {
        let output = outlast(words);
        assert_eq!(code(&output), 2, "{words:?}: {}", stderr(&output));
        assert!(stderr(&output).starts_with("outlast: "), "{words:?}: {}", stderr(&output));
        assert!(output.stdout.is_empty(), "{words:?}");
    }
    let output = outlast(&["torture", "--subject", "hope"]);
    let why = "outlast: --subject hope: unknown; choose one of outlast, outlast-settings, two-copies, \
               naive\n";
    assert_eq!(stderr(&output), why);
}

#[test]
fn plan_comes_first_and_verdict_last() {
    let output = torture(&["--level", "F0", "--depth", "1", "--seed", "5"]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    assert!(stderr(&output).is_empty(), "no bar where there is no terminal");
    let text = stdout(&output);
    let lines: Vec<&str> = text.lines().collect();
    let repeat = "outlast torture --subject outlast --sectors 2 --sector-bytes 512 --unit 1 \
                  --page 64 --level F0 --seed 5 --depth 1";
    let header = &lines[..lines.iter().position(|line| line.is_empty()).expect("an empty line")];
    assert_eq!(header[0], concat!("outlast ", env!("CARGO_PKG_VERSION")));
    for line in ["  seed     5", "  part     2 x 512 bytes, unit 1, page 64"] {
        assert!(header.contains(&line), "{line}: {header:#?}");
    }
    assert_eq!(*header.last().expect("a header"), format!("  repeat   {repeat}"));
    assert!(text.contains("not explored:"), "{text}");
    let last = lines.last().expect("a line");
    assert!(last.starts_with("torture: clean distinct="), "{last}");
    assert!(last.contains(" violating=0 signatures=0 seed=5 seconds="), "{last}");
}

/// Removes what differs from run to run.
fn without_times(mut value: Value) -> Value {
    fn strip(value: &mut Value) {
        match value {
            Value::Object(fields) => {
                fields.remove("seconds");
                fields.remove("began");
                fields.values_mut().for_each(strip);
            }
            Value::Array(items) => items.iter_mut().for_each(strip),
            _ => {}
        }
    }
    strip(&mut value);
    value
}

#[test]
fn the_same_seed_gives_the_same_result() {
    let words = |seed| ["--level", "F2", "--depth", "1", "--json", "--seed", seed];
    let first = torture(&words("3"));
    assert_eq!(code(&first), 0, "{}", stdout(&first));
    let first = json(&first);
    assert_eq!(first["verdict"], "clean");
    assert_eq!(first["seed"], 3);
    assert_eq!(first["geometry"]["sector_bytes"], 512);
    assert!(first["seconds"].is_f64());
    let total = |field: &str| first["totals"][field].as_u64().expect("a number");
    assert!(total("distinct") > 1000, "{first:#}");
    assert!(total("judged") >= total("distinct"));
    let stages = first["stages"].as_array().expect("a list");
    let sum: u64 = stages.iter().filter_map(|stage| stage["counts"]["distinct"].as_u64()).sum();
    assert_eq!(total("distinct"), sum);
    for stage in stages {
        assert_eq!(stage["verdict"], "clean");
        assert_eq!(stage["counts"]["planned"], stage["counts"]["done"]);
    }

    // With the command that the result names, and with one thread.
    let repeat = first["repeat"].as_str().expect("a command").to_owned() + " --json";
    let repeat: Vec<&str> = repeat.split(' ').skip(1).collect();
    let second = command(&repeat).env("RAYON_NUM_THREADS", "1").output().expect("it runs");
    let first = without_times(first);
    assert_eq!(first, without_times(json(&second)));
    let other = without_times(json(&torture(&words("4"))));
    assert_ne!(first["totals"], other["totals"], "another seed does other things");
}

#[test]
fn random_lives_make_the_cuts_asked_for() {
    let words = ["--deep", "1000", "--level", "F4", "--seed", "9", "--json"];
    let output = torture(&words);
    assert_eq!(code(&output), 0, "{}", stdout(&output));
    let first = json(&output);
    let cuts = first["totals"]["cuts"].as_u64().expect("a number");
    assert!((1000..2000).contains(&cuts), "{cuts}");
    assert_eq!(without_times(first), without_times(json(&torture(&words))));
}

#[test]
fn what_collateral_damage_costs_is_counted_and_fails_nothing() {
    // Thirty lives, since many of them end early: of two sectors, one often is the whole log.
    let words = ["--deep", "9000", "--level", "F5", "--seed", "9"];
    let with_json = [&words[..], &["--json"]].concat();
    let output = torture(&with_json);
    assert_eq!(code(&output), 0, "{}", stdout(&output));
    let first = json(&output);
    let harm = |what: &str| first["totals"]["harm"][what].as_u64().expect("a number");
    assert!(harm("images") > 1000 && harm("lost") > 0 && harm("older") > 0, "{first}");
    assert_eq!(without_times(first.clone()), without_times(json(&torture(&with_json))));

    let page = std::env::temp_dir().join(format!("outlast-f5-{}.html", std::process::id()));
    let path = page.to_str().expect("a name");
    let output = torture(&[&words[..], &["--report", path]].concat());
    let text = stdout(&output);
    let line = text.lines().find(|line| line.starts_with("collateral damage: ")).expect("a line");
    assert!(line.ends_with("correct readings from other sectors"), "{line}");
    let html = std::fs::read_to_string(&page).expect("a page");
    assert!(html.contains("Counted after collateral damage (F5)"), "{html}");
    assert!(html.contains("not kept, counted"), "{html}");
    std::fs::remove_file(&page).expect("it was there");

    let milder = json(&torture(&["--deep", "1000", "--level", "F4", "--json"]));
    assert!(milder["totals"]["harm"].is_null(), "{milder}");
}

#[test]
fn a_violation_is_reported_with_a_token_that_replays() {
    let words = ["--subject", "naive", "--level", "F1", "--depth", "1"];
    let output = torture(&words);
    assert_eq!(code(&output), 1, "{}", stderr(&output));
    let text = stdout(&output);
    let last = text.lines().last().expect("a line");
    assert!(last.starts_with("torture: violation "), "{last}");
    assert!(text.contains("violation 1 of "), "{text}");
    assert!(text.contains("fails at F0, shortest history found"), "{text}");
    let tokens: Vec<&str> =
        text.lines().filter_map(|line| line.strip_prefix("  outlast replay ")).collect();
    assert!(tokens.len() > 3, "{text}");
    // One that was shrunk, and one as it was found.
    for (token, bytes) in [(tokens[0], 128), (tokens[tokens.len() - 1], 512)] {
        let output = outlast(&["replay", token]);
        assert_eq!(code(&output), 1, "{}", stdout(&output));
        let story = stdout(&output);
        let part = format!("naive on 2 x {bytes} bytes, unit 1, page 64");
        assert!(story.starts_with(&part), "{story}");
        assert!(story.contains("    cut 1: "), "{story}");
        let last = story.lines().last().expect("a line");
        assert!(last.starts_with("replay: reproduced: "), "{last}");

        let output = outlast(&["replay", token, "--json"]);
        assert_eq!(code(&output), 1);
        let story = json(&output);
        assert_eq!(story["outcome"], "reproduced");
        assert_eq!(story["token"], *token);
        assert!(!story["operations"].as_array().expect("a list").is_empty());
        assert_eq!(last, format!("replay: reproduced: {}", story["sentence"].as_str().unwrap()));
    }
    // A damaged token is refused, not replayed.
    let mut damaged = tokens[0].to_owned();
    let end = damaged.pop().expect("a character");
    damaged.push(if end == 'a' { 'e' } else { 'a' });
    let output = outlast(&["replay", &damaged]);
    assert_eq!(code(&output), 2);
    assert!(stderr(&output).starts_with("outlast: the token is damaged"), "{}", stderr(&output));
}

#[test]
fn an_early_end_is_incomplete() {
    let output = outlast(&["torture", "--budget", "1s", "--json"]);
    assert_eq!(code(&output), 3, "{}", stdout(&output));
    let outcome = json(&output);
    assert_eq!(outcome["verdict"], "incomplete");
    assert!(outcome["reason"].as_str().expect("a text").starts_with("stage 1: "), "{outcome}");
    let stages = outcome["stages"].as_array().expect("a list");
    assert_eq!(stages.last().expect("a stage")["reason"], "not started");
    assert!(outcome["repeat"].as_str().expect("a text").ends_with(" --budget 1s"));
}

#[test]
fn a_closed_pipe_changes_nothing_but_the_output() {
    let words = ["torture", "--subject", "naive", "--level", "F0", "--depth", "1"];
    let mut child = command(&[&words[..], &SMALL[..]].concat())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the command runs");
    drop(child.stdout.take());
    let mut said = String::new();
    let stderr = child.stderr.as_mut().expect("a pipe");
    stderr.read_to_string(&mut said).expect("text");
    assert_eq!(child.wait().expect("it ends").code(), Some(1));
    assert_eq!(said, "");
}

#[test]
fn store_and_driver_run_together_on_a_serial_chip() {
    let output = outlast(&["torture", "--through", "spi", "--deep", "600", "--page", "64"]);
    assert_eq!(code(&output), 0, "{}", stdout(&output));
    let text = stdout(&output);
    assert!(text.contains("subject  outlast-through-spi"), "{text}");
    assert!(
        text.contains("repeat with: outlast torture --subject outlast --through spi"),
        "{text}"
    );
    let refused = torture(&["--through", "spi", "--unit", "8"]);
    assert_eq!(code(&refused), 2);
    assert!(stderr(&refused).contains("single bytes"), "{}", stderr(&refused));
}

#[test]
fn shards_are_merged() {
    let folder = std::env::temp_dir().join(format!("outlast-shards-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let file = |number: u32| folder.join(format!("{number}.json")).display().to_string();
    // Each shard takes just a moment.
    for number in 1..=2 {
        let shard = format!("{number}/2");
        let words = ["--edges", "1", "--shard", &shard, "--level", "F0", "--json"];
        let output = torture(&words);
        assert_eq!(code(&output), 0, "{}", stderr(&output));
        std::fs::write(file(number), &output.stdout).unwrap();
    }
    let merged = outlast(&["merge", &file(2), &file(1)]);
    let text = stdout(&merged);
    assert_eq!(code(&merged), 0, "{text}{}", stderr(&merged));
    assert!(text.lines().last().unwrap().starts_with("merge: clean distinct="), "{text}");
    let sum = |field: &str| -> u64 {
        let of = |number| {
            let text = std::fs::read_to_string(file(number)).unwrap();
            let value: Value = serde_json::from_str(&text).unwrap();
            value["totals"][field].as_u64().unwrap()
        };
        of(1) + of(2)
    };
    let merged = json(&outlast(&["merge", "--json", &file(1), &file(2)]));
    for field in ["cuts", "distinct", "judged", "power_ups"] {
        assert_eq!(merged["totals"][field].as_u64(), Some(sum(field)), "{field}");
    }
    let missing = outlast(&["merge", &file(2)]);
    assert_eq!(code(&missing), 2);
    assert!(stderr(&missing).contains("missing: shard 1/2"), "{}", stderr(&missing));
    std::fs::remove_dir_all(&folder).unwrap();
}
