//! `outlast bench` and `outlast plan`.
//!
//! Goal: what they print is right and can be used by programs, and what they refuse says what to
//! do. Method: the command is run with small loads; figures are compared with ones worked out by
//! hand and with tables of real chips.

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
        ("plan --setting key=8,value=8 --sfdp /no/such/file", "cannot read /no/such/file"),
        ("plan --setting key=8,value=8 --sfdp x --part is25lp128f", "cannot be used with"),
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
        ["against theory", "Cost of an update", "Improvement over", "from memory", "bench: runs="]
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

/// Worked out by hand. All records are of one key, `P` of them fit into a sector and nothing is
/// copied. So at one update a second a sector lasts `P` seconds, and the part lasts cycles times
/// sectors times `P` seconds.
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
    for part in ["sectors are enough", "by boots", "life in a simulation", "402", "data sheet"] {
        assert!(text.contains(part), "{part}: {text}");
    }
    let missed = outlast(&["plan", path, "--setting", "key=4,value=60,rate=1/second"]);
    assert_eq!(code(&missed), 1);
    assert!(stdout(&missed).contains("No number of sectors up to 8 meets the target"));
    let wrong = product.replace("most_sectors", "sectors");
    std::fs::write(&file, wrong).expect("a scratch file");
    let refused = outlast(&["plan", path]);
    std::fs::remove_file(&file).expect("ours");
    assert_eq!(code(&refused), 2);
    assert!(stderr(&refused).contains("unknown field `sectors`"), "{}", stderr(&refused));
}

/// The tables of a real chip, see `serialnor/tests/sfdp/README.md`.
fn chip(name: &str) -> String {
    format!("{}/serialnor/tests/sfdp/{name}.hex", env!("CARGO_MANIFEST_DIR"))
}

/// A plan for the chip with these tables, with further arguments.
fn plan_for(tables: &str, words: &[&str]) -> Output {
    let plan = ["plan", "--setting", "key=4,value=16,rate=1/minute", "--sfdp", tables];
    outlast(&[&plan[..], words].concat())
}

/// MT25QU256A: 256 Mbit, 4 KiB in 48 ms typical and 480 ms maximum (Micron TN-25-06 Rev D).
#[test]
fn a_plan_for_a_chip_by_its_own_tables() {
    let dump = chip("mt25qu256a");
    let refused = plan_for(&dump, &[]);
    assert_eq!(code(&refused), 2);
    assert!(stderr(&refused).contains("do not give the erase cycles"), "{}", stderr(&refused));
    assert!(stderr(&refused).contains("data sheet"));

    let output = plan_for(&dump, &["--endurance", "100000", "--json"]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    let json: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!(json["part"]["timing"]["erase_4k"]["maximal_ns"], 480_000_000);
    assert_eq!(json["part"]["page"], 256);
    let source = json["part_source"].as_str().expect("a text");
    for part in ["SFDP tables", "1.6", "33554432 bytes", "cycles: as given"] {
        assert!(source.contains(part), "{part}: {source}");
    }
    // The same bytes, raw.
    let text = std::fs::read_to_string(&dump).expect("the dump");
    let raw: Vec<u8> = text
        .split_ascii_whitespace()
        .map(|byte| u8::from_str_radix(byte, 16).expect("hex digits"))
        .collect();
    let file = scratch("chip.sfdp");
    std::fs::write(&file, &raw).expect("a scratch file");
    let path = file.to_str().expect("a path");
    let same = plan_for(path, &["--endurance", "100000", "--json"]);
    let same: Value = serde_json::from_slice(&same.stdout).expect("JSON");
    assert_eq!(same["part"], json["part"]);
    assert_eq!(same["chosen"], json["chosen"]);

    // Named in a product file in the same folder.
    let product = scratch("chip.toml");
    let name = file.file_name().and_then(|name| name.to_str()).expect("a name");
    let lines = format!(
        "[part]\nsfdp = \"{name}\"\nendurance = 100000\n[use]\n[[use.setting]]\nkey_bytes = 4\n\
         value_bytes = 16\nrate = \"1/minute\"\n"
    );
    std::fs::write(&product, &lines).expect("a scratch file");
    let planned = outlast(&["plan", product.to_str().expect("a path"), "--json"]);
    let planned: Value = serde_json::from_slice(&planned.stdout).expect("JSON");
    assert_eq!(planned["part"], json["part"]);
    std::fs::write(&product, lines.replace("[use]", "sheet = \"is25lp128f\"\n[use]"))
        .expect("a scratch file");
    let both = outlast(&["plan", product.to_str().expect("a path")]);
    assert_eq!(code(&both), 2);
    assert!(stderr(&both).contains("choose one of them"), "{}", stderr(&both));

    // A file that is cut short.
    std::fs::write(&file, &raw[..100]).expect("a scratch file");
    let short = plan_for(path, &["--endurance", "100000"]);
    std::fs::remove_file(&file).expect("ours");
    std::fs::remove_file(&product).expect("ours");
    assert_eq!(code(&short), 2);
    assert!(stderr(&short).contains("cut short: 100 bytes"), "{}", stderr(&short));
}

/// What older and unusual tables leave open has to be given; then they can be used.
#[test]
fn tables_that_leave_something_open() {
    let cycles = ["--endurance", "100000"];
    for (name, words) in [
        // Revision 1.0.
        ("mx25l3233f", "byte_program_us = [typical, maximum]"),
        // Two sizes under one command; a map of sectors.
        ("s25fs256t", "under [part] in a product file"),
        ("s28hs02gt", "under [part] in a product file"),
    ] {
        let refused = plan_for(&chip(name), &cycles);
        assert_eq!(code(&refused), 2, "{name}");
        assert!(stderr(&refused).contains(words), "{name}: {}", stderr(&refused));
    }
    let refused = plan_for(&chip("zd25q128c_wrong_density"), &["--most-sectors", "513"]);
    assert!(stderr(&refused).contains("from 2 to 512"), "{}", stderr(&refused));
    let product = scratch("old-chip.toml");
    let lines = "[part]\nendurance = 100000\nbyte_program_us = [10, 50]\npage_program_us = [600, 3000]\n\
                 sector_erase_ms = [40, 200]\n";
    std::fs::write(&product, lines).expect("a scratch file");
    let planned = plan_for(&chip("mx25l3233f"), &[product.to_str().expect("a path")]);
    std::fs::remove_file(&product).expect("ours");
    assert_eq!(code(&planned), 0, "{}", stderr(&planned));
    let text = stdout(&planned);
    assert!(text.contains("times and cycles: as given; size: SFDP tables"), "{text}");
    assert!(text.contains("page assumed"), "{text}");
}
