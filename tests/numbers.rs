//! `outlast bench` and `outlast plan` as their users see them.

mod command_line;

use std::process::Output;

use serde_json::Value;

use crate::command_line::{code, outlast, stderr, stdout};

/// Small enough for a debug build.
const SMALL: [&str; 6] = ["bench", "--rounds", "20", "--no-growth", "--sector-bytes", "1024"];

fn bench(words: &[&str]) -> Output {
    outlast(&[&SMALL[..], words].concat())
}

fn scratch(name: &str) -> std::path::PathBuf {
    std::env::temp_dir().join(format!("outlast-{}-{name}", std::process::id()))
}

#[test]
fn help_has_examples_and_exit_codes() {
    for words in [["bench", "--help"], ["plan", "--help"]] {
        let output = outlast(&words);
        assert_eq!(code(&output), 0);
        let text = stdout(&output);
        for part in ["Examples:", "Exit codes:", "--json"] {
            assert!(text.contains(part), "{words:?} lacks {part}");
        }
    }
}

#[test]
fn refusals_say_what_to_do() {
    for (line, words) in [
        ("bench --sectors 1", "2 to 256"),
        ("bench --load hope", "choose one of uniform, skewed"),
        ("bench --part hope", "choose one of is25lp128f"),
        ("bench --utilisation 0.99", "0.01 to 0.85"),
        ("bench --json --csv", "cannot be used with"),
        ("bench --value-bytes 1000", "4 to 224"),
        ("plan", "--setting"),
        ("plan --setting key=8", "value is missing"),
        ("plan --setting key=8,value=8 --boots 5", "like 10/hour"),
        ("plan --setting key=8,value=8 --part mx66l1g45g", "--endurance"),
        ("plan --setting key=99,value=8", "1 to 64"),
        ("plan --setting key=9,value=8000", "cannot keep"),
        ("plan /no/such/file", "cannot read /no/such/file"),
    ] {
        let output = outlast(&line.split(' ').collect::<Vec<_>>());
        assert_eq!(code(&output), 2, "{line}");
        assert!(stderr(&output).contains(words), "{line}: {}", stderr(&output));
        assert!(output.stdout.is_empty(), "{line}");
    }
}

#[test]
fn a_bench_as_text_and_page() {
    let page = scratch("bench.html");
    let output = bench(&["--report", page.to_str().expect("a path"), "--load", "uniform"]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    let text = stdout(&output);
    for part in
        ["against theory", "Cost of an update", "Times better", "from memory", "bench: runs="]
    {
        assert!(text.contains(part), "{part}: {text}");
    }
    let html = std::fs::read_to_string(&page).expect("the page");
    std::fs::remove_file(&page).expect("ours");
    assert_eq!(html.matches("<svg ").count(), 3);
    assert!(html.contains("prefers-color-scheme:dark"));
    // One file, no network: the only addresses are the names of XML.
    assert!(!html.contains("src=") && !html.contains("href") && !html.contains("<script"));
    assert!(html.replace("http://www.w3.org/2000/svg", "").find("http").is_none());
}

#[test]
fn a_bench_as_json_and_csv() {
    let words = ["--load", "counters", "--load", "frequent-boots"];
    let json: Value = serde_json::from_slice(&bench(&[&words[..], &["--json"]].concat()).stdout)
        .expect("one JSON object and nothing else");
    let rows = json["results"]["comparison"].as_array().expect("rows");
    assert_eq!(rows.len(), 6);
    assert_eq!(rows[0]["scheme"], "outlast");
    assert_eq!(rows[1]["cost"]["Ok"]["erases"], 1.0);
    let csv = stdout(&bench(&[&words[..], &["--csv"]].concat()));
    let theory = json["results"]["against_theory"].as_array().expect("rows").len();
    assert_eq!(csv.lines().count(), 1 + theory + 6);
    let columns = csv.lines().next().expect("a head").split(',').count();
    assert!(csv.lines().all(|line| line.split(',').count() == columns), "{csv}");
}

#[test]
fn a_file_that_cannot_be_written_is_said() {
    let output = bench(&["--load", "counters", "--report", "/no/such/folder/bench.html"]);
    assert_eq!(code(&output), 70);
    assert!(stderr(&output).contains("/no/such/folder/bench.html"));
}

/// By hand: records of one key; with `n` bytes in flash, `P` to a sector and nothing to copy, so
/// at one update a second a sector lasts `P` seconds and the part cycles x sectors x `P` seconds.
#[test]
fn a_plan_by_hand() {
    let words = [
        "plan",
        "--setting",
        "key=4,value=16,rate=1/second",
        "--sectors",
        "8",
        "--years",
        "0.1",
        "--endurance",
        "10000",
        "--json",
    ];
    let output = outlast(&words);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    let json: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let record = json["format"]["records"][0].as_f64().expect("bytes");
    let slots = json["format"]["packed"].as_f64().expect("bytes") / record;
    let years = 10_000.0 * 8.0 * slots / 86_400.0 / 365.25;
    let found = json["chosen"]["years"].as_f64().expect("years");
    assert!((found / years - 1.0).abs() < 0.005, "{found} {years}");
}

#[test]
fn a_plan_from_a_file_and_one_that_nothing_meets() {
    let file = scratch("product.toml");
    let product = "[part]\nendurance = 10000\nsector_erase_ms = [45, 400]\nmost_sectors = 8\n\
                   [use]\nyears = 20\nboots = \"4/day\"\n\
                   [[use.setting]]\nname = \"level\"\nkey_bytes = 6\nvalue_bytes = 8\nrate = \"1/minute\"\n";
    std::fs::write(&file, product).expect("a scratch file");
    let path = file.to_str().expect("a path");
    let met = outlast(&["plan", path, "--simulate", "--years", "2"]);
    let text = stdout(&met);
    assert_eq!(code(&met), 0, "{text}{}", stderr(&met));
    for part in ["sectors are enough", "by boots", "life in a simulation", "400", "data sheet"] {
        assert!(text.contains(part), "{part}: {text}");
    }
    let missed = outlast(&["plan", path, "--setting", "key=4,value=60,rate=1/second"]);
    assert_eq!(code(&missed), 1);
    assert!(stdout(&missed).contains("No number of sectors up to 8 meets the wish"));
    let wrong = product.replace("most_sectors", "sectors");
    std::fs::write(&file, wrong).expect("a scratch file");
    let refused = outlast(&["plan", path]);
    std::fs::remove_file(&file).expect("ours");
    assert_eq!(code(&refused), 2);
    assert!(stderr(&refused).contains("unknown field `sectors`"), "{}", stderr(&refused));
}
