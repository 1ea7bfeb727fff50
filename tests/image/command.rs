//! `outlast image` as its users see it: exit codes, messages, and inputs that never change.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;

use outlast_image::shape::Shape;
use outlast_image::store::Mounted;
use serde_json::Value;

use crate::command_line::{code, outlast, stderr};
use crate::opening;

/// A folder that is removed when this is dropped.
pub(crate) struct Folder(PathBuf);

impl Folder {
    pub(crate) fn new(name: &str) -> Self {
        let name = format!("outlast-{name}-{}", std::process::id());
        let folder = std::env::temp_dir().join(name);
        fs::create_dir_all(&folder).expect("a folder");
        Self(folder)
    }

    pub(crate) fn file(&self, name: &str, contents: &[u8]) -> String {
        let path = Path::join(&self.0, name);
        fs::write(&path, contents).expect("written");
        path.display().to_string()
    }

    fn path(&self, name: &str) -> String {
        Path::join(&self.0, name).display().to_string()
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}

pub(crate) fn image(words: &[&str]) -> Output {
    outlast(&[&["image"], words].concat())
}

const SETTINGS: &[u8] = b"key,type,value\ngauge.datum,i32,1234\ngauge.name,text,North pier\n";

fn built(folder: &Folder) -> String {
    let settings = folder.file("gauge.csv", SETTINGS);
    let out = folder.path("gauge.bin");
    let output = image(&["build", &settings, "--output", &out]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    out
}

/// An image whose openings are as the next format version might write them.
fn newer_format(image: &[u8]) -> Vec<u8> {
    let mut bytes = image.to_vec();
    for sector in bytes.chunks_mut(4096).take(1) {
        for at in [0, 4096 - 32] {
            sector[at + 2] = 3;
            opening::seal(&mut sector[at..at + 32]);
        }
    }
    bytes
}

/// An image as format version 1 wrote it: a single opening of 31 bytes.
fn older_format(image: &[u8]) -> Vec<u8> {
    let mut bytes = vec![0xFF; image.len()];
    bytes[..25].copy_from_slice(&image[..25]);
    bytes[2] = 1;
    let crc = crc32c::crc32c(&bytes[..25]);
    bytes[25..29].copy_from_slice(&crc.to_le_bytes());
    let zeros: u32 = bytes[..29].iter().map(|byte| byte.count_zeros()).sum();
    bytes[29..31].copy_from_slice(&(zeros as u16).to_be_bytes());
    bytes
}

#[test]
fn every_bad_dump_has_its_exit_code_and_message() {
    let folder = Folder::new("bad-dumps");
    let good = fs::read(built(&folder)).expect("an image");
    let huge = folder.file("huge.bin", b"");
    fs::File::options().write(true).open(&huge).and_then(|f| f.set_len(1 << 30)).expect("sparse");
    let twice = [&good[..], &good[..]].concat();
    let cases: [(String, i32, &str); 10] = [
        (folder.path("none.bin"), 5, "No such file"),
        (folder.file("text.bin", b"Dear support,\n"), 12, "the file is text"),
        (folder.file("empty.bin", b""), 12, "the file is empty"),
        (folder.file("blank.bin", &[0xFF; 8192]), 12, "every byte is FF"),
        (folder.file("noise.bin", &[0xA5; 20_000]), 12, "--sector-bytes"),
        (folder.file("newer.bin", &newer_format(&good)), 13, "a newer format version"),
        (folder.file("older.bin", &older_format(&good)), 13, "the older version of this program"),
        (folder.file("line.hex", b":0400000001020304F3\n"), 5, "line 1: the checksum is F3"),
        (folder.file("twice.bin", &twice), 2, "--base 0x4000"),
        (huge, 5, "larger than 512 MiB"),
    ];
    for (file, wanted, words) in &cases {
        for command in ["show", "check", "export", "salvage"] {
            let output = image(&[command, file]);
            let text = stderr(&output);
            assert_eq!(code(&output), *wanted, "{command} {file}: {text}");
            assert!(text.starts_with("outlast: ") && text.contains(words), "{command}: {text}");
            assert!(output.stdout.is_empty(), "{command} {file}");
        }
    }
    // A layout is given: a possible one, then an impossible one.
    let output =
        image(&["check", &folder.path("noise.bin"), "--sectors", "4", "--sector-bytes", "4096"]);
    assert_eq!(code(&output), 12, "{}", stderr(&output));
    let output =
        image(&["check", &folder.path("noise.bin"), "--sectors", "4", "--sector-bytes", "4095"]);
    assert_eq!(code(&output), 2, "{}", stderr(&output));
    // A dump that was cut short.
    let cut = folder.file("cut.bin", &good[..6000]);
    assert_eq!(code(&image(&["show", &cut])), 11);
    assert_eq!(code(&image(&["check", &cut])), 11);
    let output = image(&["export", &cut]);
    assert_eq!(code(&output), 11);
    assert!(stderr(&output).contains("6000 of 16384 bytes"), "{}", stderr(&output));
    let saved = image(&["salvage", &cut, "--json"]);
    let saved: Value = serde_json::from_slice(&saved.stdout).expect("JSON");
    assert_eq!(saved["settings"].as_array().expect("a list").len(), 2);
}

#[test]
fn dumps_are_never_changed_and_files_never_overwritten() {
    let folder = Folder::new("unchanged");
    let dump = built(&folder);
    let before = fs::read(&dump).expect("a dump");
    let out = folder.path("out.bin");
    let page = folder.path("page.html");
    for words in [
        &["show", &dump][..],
        &["show", &dump, "--html", &page],
        &["check", &dump],
        &["get", &dump, "gauge.name"],
        &["put", &dump, "gauge.name", "South pier", "--output", &out],
        &["export", &dump],
        &["salvage", &dump],
        &["diff", &dump, &dump],
    ] {
        let output = image(words);
        assert_eq!(code(&output), 0, "{words:?}: {}", stderr(&output));
        assert_eq!(fs::read(&dump).expect("a dump"), before, "{words:?}");
    }
    let page = fs::read_to_string(&page).expect("a page");
    assert!(page.starts_with("<!DOCTYPE html>") && page.contains("North pier"));
    let output = image(&["put", &out, "gauge.name", "Pier", "--output", &dump]);
    assert_eq!(code(&output), 5);
    assert!(stderr(&output).contains("--force"), "{}", stderr(&output));
    assert_eq!(fs::read(&dump).expect("a dump"), before);
    let output = image(&["diff", &dump, &out]);
    assert_eq!(code(&output), 1);
    let text = String::from_utf8(output.stdout).expect("text");
    assert!(text.starts_with("gauge.name: \"North pier\" -> \"South pier\"\n"), "{text}");
}

#[test]
fn json_is_one_object_with_everything() {
    let folder = Folder::new("json");
    let dump = built(&folder);
    let json = |words: &[&str]| -> Value {
        serde_json::from_slice(&image(words).stdout).expect("one JSON object")
    };
    let shown = json(&["show", &dump, "--json"]);
    assert_eq!(shown["verdict"], "clean");
    assert_eq!(shown["layout"]["sector_bytes"], 4096);
    assert_eq!(shown["keys"][1]["value"], "North pier");
    assert_eq!(shown["sectors"].as_array().expect("a list").len(), 4);
    let checked = json(&["check", &dump, "--json"]);
    assert_eq!((&checked["verdict"], &checked["mount"]["keys"]), (&"clean".into(), &2.into()));
    assert_eq!(shown["rests"], true);
    assert!(checked["mount"]["steps"].as_array().expect("a list").is_empty());
    let got = json(&["get", &dump, "gauge.datum", "--type", "i32", "--json"]);
    assert_eq!(got["value"], 1234);
    assert_eq!(json(&["diff", &dump, &dump, "--json"])["settings"], serde_json::json!([]));
    let history = json(&["show", &dump, "--history", "gauge.datum", "--json"]);
    assert_eq!(history["versions"][0]["state"], "live");
}

#[test]
fn what_does_not_fit_or_is_wrong_is_refused() {
    let folder = Folder::new("refused");
    let settings = folder.file("gauge.csv", SETTINGS);
    let large = format!("key,type,value\nlarge,hex,{}\n", "00".repeat(5000));
    let large = folder.file("large.csv", large.as_bytes());
    let out = folder.path("out.bin");
    for (words, wanted, text) in [
        (&["build", &large, "--output", &out][..], 8, "larger sectors"),
        (&["build", &settings, "--output", &out, "--sectors", "1"], 2, "2 to 4096"),
        (&["build", &settings, "--output", &out, "--unit", "3"], 2, "program unit"),
        (&["build", &settings, "--output", &out, "--pad-to", "100"], 2, "the region alone"),
        (&["build", &settings, "--output", &out, "--format", "uf2", "--base", "100"], 2, "256"),
        (&["build", &settings, "--output", "/nowhere/at/all.bin"], 5, "cannot write"),
        (&["build", "gauge.txt", "--output", &out], 5, ".toml, .json or .csv"),
        (&["build", &settings], 2, "--output"),
        (&["polish"], 2, "polish"),
    ] {
        let output = image(words);
        assert_eq!(code(&output), wanted, "{words:?}: {}", stderr(&output));
        assert!(stderr(&output).contains(text), "{words:?}: {}", stderr(&output));
        assert!(!Path::new(&out).exists(), "{words:?}");
    }
    let help = image(&["--help"]);
    let help = String::from_utf8(help.stdout).expect("text");
    assert!(help.contains("Examples:") && help.contains("2   wrong usage"), "{help}");
}

#[test]
fn missing_parts_of_a_file_are_damage_but_skipped_blank_pages_are_not() {
    let folder = Folder::new("lacks");
    let settings = folder.file("gauge.csv", SETTINGS);
    for (ending, page) in [("hex", "256"), ("uf2", "256"), ("hex", "1024"), ("uf2", "512")] {
        let out = folder.path(&format!("sparse-{page}.{ending}"));
        let build = ["build", &settings, "--output", &out, "--skip-blank", "--page", page];
        assert_eq!(code(&image(&build)), 0);
        // All of it would take more than twice as many bytes as the region has.
        assert!(fs::metadata(&out).expect("a file").len() < 16384 * 3 / 2);
        let output = image(&["check", &out]);
        assert_eq!(code(&output), 0, "{out}: {}", String::from_utf8_lossy(&output.stdout));
    }
    let hex = fs::read_to_string(folder.path("sparse-256.hex")).expect("HEX");
    let lines: Vec<&str> = hex.lines().collect();
    // A line after the records, in a page that holds some.
    let missing = [&lines[..18], &lines[19..]].concat().join("\n");
    let no_end = lines[..lines.len() - 1].join("\n");
    let uf2 = fs::read(folder.path("sparse-256.uf2")).expect("UF2");
    let no_block = [&uf2[..1024], &uf2[1536..]].concat();
    for (file, kind) in [
        (folder.file("missing.hex", missing.as_bytes()), "gap"),
        (folder.file("no-end.hex", no_end.as_bytes()), "file-cut"),
        (folder.file("no-block.uf2", &no_block), "blocks-missing"),
    ] {
        let output = image(&["check", &file, "--json"]);
        assert_eq!(code(&output), 11, "{file}");
        let checked: Value = serde_json::from_slice(&output.stdout).expect("JSON");
        let findings = checked["findings"].as_array().expect("a list");
        assert!(findings.iter().any(|finding| finding["kind"] == kind), "{file}: {findings:?}");
        assert_eq!(code(&image(&["show", &file])), 11, "{file}");
        assert_eq!(code(&image(&["salvage", &file])), 11, "{file}");
    }
}

/// A store of 4 x 4096 bytes whose head is sector 1.
fn compacted() -> Vec<u8> {
    let mut store = Mounted::open(vec![0xFF; 16384], &Shape::SERIAL_NOR).expect("a store");
    for n in 0.. {
        let key = format!("k{}", n % 20);
        store.put(key.as_bytes(), format!("{n:050}").as_bytes()).expect("a put");
        if store.usage().compactions > 1 && n % 20 == 19 {
            break;
        }
    }
    store.into_parts().0
}

#[test]
fn damage_that_may_hide_newer_values_is_reported_by_every_command() {
    let folder = Folder::new("older");
    let mut bytes = compacted();
    let whole = folder.file("whole.bin", &bytes);
    for at in [4096, 2 * 4096 - 32] {
        bytes[at..at + 32].fill(0);
    }
    let bad = folder.file("bad.bin", &bytes);
    let out = folder.path("out.bin");
    for words in [
        &["show", &bad][..],
        &["check", &bad],
        &["salvage", &bad],
        &["get", &bad, "k1"],
        &["export", &bad],
        &["diff", &whole, &bad],
        &["put", &bad, "k1", "new", "--output", &out],
    ] {
        let output = image(words);
        assert_eq!(code(&output), 11, "{words:?}: {}", stderr(&output));
        if !matches!(words[0], "show" | "check" | "salvage") {
            let text = stderr(&output);
            assert!(text.contains("warning: sector 1 + 0x0000: this sector is newer"), "{text}");
        }
        assert!(!output.stdout.is_empty(), "{words:?}");
    }
    // Damage to another key does not concern this one.
    let mut bytes = compacted();
    let at = bytes.windows(2).rposition(|window| window == b"k3").expect("a key");
    bytes[at + 10] ^= 3;
    let one = folder.file("one.bin", &bytes);
    assert_eq!(code(&image(&["check", &one])), 11);
    assert_eq!(code(&image(&["get", &one, "k1"])), 0);
    assert_eq!(code(&image(&["get", &one, "k3"])), 11);
    assert_eq!(code(&image(&["export", &one])), 11);
}

#[test]
fn damage_that_costs_nothing_is_told_from_a_lost_setting() {
    let folder = Folder::new("cost");
    let mut bytes = fs::read(built(&folder)).expect("a dump");
    let name = bytes.windows(5).position(|window| window == b"North").expect("the name");
    let run = |bytes: &[u8], words: &[&str]| {
        let dump = folder.file("damaged.bin", bytes);
        let output = image(&[&words[..1], &[&dump], &words[1..]].concat());
        let text = [&output.stdout[..], &output.stderr].concat();
        (code(&output), String::from_utf8(text).expect("text"))
    };
    let wanted = |(code, text): (i32, String), wanted: i32, part: &str| {
        assert!(code == wanted && text.contains(part), "{code}: {text}");
    };
    bytes[name] ^= 1;
    wanted(run(&bytes, &["check"]), 11, "no value is affected");
    wanted(run(&bytes, &["salvage"]), 0, "0 of them perhaps not the newest\n");
    wanted(run(&bytes, &["get", "gauge.name"]), 0, "North pier");
    bytes[name] ^= 2;
    wanted(run(&bytes, &["check"]), 11, "values may be lost or old");
    wanted(run(&bytes, &["salvage"]), 11, "others may be missing\n");
    wanted(run(&bytes, &["get", "gauge.name"]), 11, "no key 'gauge.name', or it is lost");
    let cut = &bytes[..100];
    wanted(run(cut, &["check"]), 11, "values may be lost or old");
}

#[test]
fn types_are_compared_with_the_types_file() {
    let folder = Folder::new("types");
    let dump = built(&folder);
    let types = "[settings]\n'gauge.datum' = { type = 'i32', max = 5000 }\n";
    let types = folder.file("gauge.toml", types.as_bytes());
    let out = folder.path("out.bin");
    let put = |value: &str, kind: &str| {
        let words = ["put", &dump, "gauge.datum", value, "--type", kind, "--types", &types];
        image(&[&words[..], &["--output", &out]].concat())
    };
    for (value, kind, why) in
        [("9000", "i32", "above the maximum of 5000"), ("1", "u8", "'gauge.datum' is i32")]
    {
        let output = put(value, kind);
        assert_eq!(code(&output), 2, "{}", stderr(&output));
        assert!(stderr(&output).contains(why), "{}", stderr(&output));
    }
    assert_eq!(code(&put("5000", "i32")), 0);
    for words in [&["delete", &dump, "gauge.name"][..], &["import", &dump, &types]] {
        let output = image(&[words, &["--types", &types, "--output", &out]].concat());
        assert_eq!(code(&output), 2);
        assert!(stderr(&output).contains("--types"), "{}", stderr(&output));
    }
}

#[test]
fn inputs_are_never_written_under_any_name() {
    let folder = Folder::new("same");
    let dump = built(&folder);
    let settings = folder.path("gauge.csv");
    let before = [fs::read(&dump).expect("a dump"), fs::read(&settings).expect("settings")];
    let link = folder.path("link.bin");
    fs::hard_link(&dump, &link).expect("a link");
    let roundabout = folder.path("./gauge.bin");
    for words in [
        &["put", &dump, "gauge.name", "South", "--force", "--output", &dump][..],
        &["put", &dump, "gauge.name", "South", "--force", "--output", &link],
        &["put", &dump, "gauge.name", "South", "--force", "--output", &roundabout],
        &["delete", &dump, "gauge.name", "--force", "--output", &dump],
        &["import", &dump, &settings, "--force", "--output", &dump],
        &["import", &dump, &settings, "--force", "--output", &settings],
        &["export", &dump, "--force", "--output", &dump],
        &["show", &dump, "--force", "--html", &dump],
        &["show", &dump, "--types", &settings, "--force", "--html", &settings],
        &["salvage", &dump, "--types", &settings, "--force", "--output", &settings],
        &["build", &settings, "--force", "--output", &settings],
    ] {
        let output = image(words);
        assert_eq!(code(&output), 2, "{words:?}: {}", stderr(&output));
        assert!(stderr(&output).contains("which is never changed"), "{}", stderr(&output));
        let after = [fs::read(&dump).expect("a dump"), fs::read(&settings).expect("settings")];
        assert!(before == after, "{words:?}");
    }
}

#[test]
#[cfg(unix)]
fn files_are_replaced_and_other_nodes_written_directly() {
    use std::os::unix::fs::{FileTypeExt as _, symlink};

    let folder = Folder::new("nodes");
    let dump = built(&folder);
    let out = folder.path("out.bin");
    // A file with the name that a temporary file might have.
    let part = folder.file("out.bin.part", b"mine");
    assert_eq!(code(&image(&["put", &dump, "gauge.name", "A", "--output", &out])), 0);
    assert_eq!(fs::read(&part).expect("a file"), b"mine");
    let link = folder.path("link.bin");
    symlink(&out, &link).expect("a link");
    let old = fs::read(&out).expect("an image");
    assert_eq!(code(&image(&["put", &dump, "gauge.name", "B", "--output", &link, "--force"])), 0);
    assert!(Path::new(&link).is_symlink());
    assert_ne!(fs::read(&out).expect("an image"), old);
    let nowhere = folder.path("nowhere.bin");
    symlink(folder.path("made.bin"), &nowhere).expect("a link");
    assert_eq!(code(&image(&["put", &dump, "gauge.name", "C", "--output", &nowhere])), 0);
    assert!(Path::new(&nowhere).is_symlink() && Path::new(&folder.path("made.bin")).exists());
    let device = "/dev/null";
    let output = image(&["put", &dump, "gauge.name", "D", "--output", device, "--force"]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    assert!(fs::metadata(device).expect("a node").file_type().is_char_device());
    let names = fs::read_dir(&folder.0).expect("a folder").flatten();
    let parts = names.filter(|entry| entry.file_name().to_string_lossy().ends_with(".part"));
    assert_eq!(parts.count(), 1);
}

#[test]
fn no_image_of_a_table_is_written_before_all_are_tried() {
    let folder = Folder::new("all-or-none");
    let settings = folder.file("unit.csv", b"key,type\nnote,text\n");
    let table = format!("note,file\nshort,a\n{},b\n", "x".repeat(5000));
    let table = folder.file("units.csv", table.as_bytes());
    let pattern = folder.path("{file}.bin");
    let output = image(&["build", &settings, "--units", &table, "--output", &pattern]);
    assert_eq!(code(&output), 8, "{}", stderr(&output));
    assert!(!Path::new(&folder.path("a.bin")).exists());
    let output = image(&["build", &settings, "--output", &pattern]);
    assert_eq!(code(&output), 2);
    assert!(stderr(&output).contains("--units"), "{}", stderr(&output));
    let output = image(&[
        "build",
        &folder.file("g.csv", SETTINGS),
        "--unit",
        "32",
        "--output",
        &pattern.replace(['{', '}'], ""),
    ]);
    assert!(String::from_utf8_lossy(&output.stdout).contains("unit 32, page 256"));
}
