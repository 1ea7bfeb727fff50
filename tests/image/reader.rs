//! An independent reader of the format must agree with the store on every image. The reader is
//! `tests/reader.py`, written after `kvstore/FORMAT.md` in Python with its standard library only,
//! and shares no code with the store.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::process::Command;

use outlast_image::mount::mount;
use outlast_image::shape::Shape;
use outlast_image::survey::Survey;
use outlast_image::value::to_hex;
use outlast_kvstore::{Error, Found};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng};

use crate::sample;

/// Clears a bit in each live tally: of the next cell, which does no harm, or of a later one.
fn spoil_tallies(bytes: &mut [u8], shape: &Shape, rng: &mut ChaCha8Rng) {
    let image = bytes.to_vec();
    let survey = Survey::new(shape.region(&image).expect("a shape"));
    for number in survey.live.values() {
        let record = &survey.records[*number].record;
        if let Some(tally) = survey.region.tally(record) {
            let at = rng.random_range(tally.cells_at..record.end - record.trailer_bytes);
            bytes[at as usize] &= !(1 << rng.random_range(0..8));
        }
    }
}

/// Compares this many images. Returns how many have settings and how many tallies are damaged.
fn compare(part: u64, count: u64) -> (u64, u64) {
    let name = format!("outlast-reader-{}-{part}", std::process::id());
    let path = std::env::temp_dir().join(name);
    let mut file = std::io::BufWriter::new(std::fs::File::create(&path).expect("a file"));
    let mut wanted = Vec::new();
    // Not the images of the other tests.
    for seed in (1 << 32) + part * count..(1 << 32) + (part + 1) * count {
        let (shape, mut bytes) = sample::image(seed);
        if seed % 4 == 0 {
            spoil_tallies(&mut bytes, &shape, &mut ChaCha8Rng::seed_from_u64(seed));
        }
        let settings = match mount(&bytes, &shape) {
            Ok(mounted) => mounted.values,
            Err(Error::NotAStore(Found::ForeignData)) => BTreeMap::new(),
            Err(error) => panic!("seed {seed}: {error}"),
        };
        let (sectors, size) = (shape.sectors, shape.sector_bytes);
        writeln!(file, "{sectors} {size} {} {}", shape.page_bytes, shape.unit).expect("written");
        file.write_all(&bytes).expect("written");
        let hex = |value: Option<Vec<u8>>| value.map(|value| to_hex(&value));
        let settings = settings.into_iter().map(|(key, value)| (to_hex(&key), hex(value)));
        wanted.push((seed, shape, settings.collect::<BTreeMap<_, _>>()));
    }
    file.flush().expect("written");
    let reader = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reader.py");
    let output = Command::new("python3").arg(reader).arg("--many").arg(&path).output();
    let output = output.expect("this test needs python3");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).expect("text");
    let (mut lines, mut with_settings, mut damaged) = (text.lines(), 0, 0);
    for (seed, shape, wanted) in wanted {
        let line = lines.next().expect("a line for each image");
        let read: Option<BTreeMap<String, Option<String>>> =
            serde_json::from_str(line).expect("JSON");
        with_settings += u64::from(!wanted.is_empty());
        damaged += wanted.values().filter(|value| value.is_none()).count() as u64;
        assert_eq!(read.unwrap_or_default(), wanted, "seed {seed}, {shape}");
    }
    std::fs::remove_file(&path).expect("removed");
    (with_settings, damaged)
}

#[test]
fn an_independent_reader_agrees_with_the_store() {
    let count: u64 = std::env::var("OUTLAST_IMAGES").map_or(2000, |n| n.parse().expect("a number"));
    let (one, other) = rayon::join(|| compare(0, count / 2), || compare(1, count / 2));
    let (with_settings, damaged) = (one.0 + other.0, one.1 + other.1);
    println!("{count} images, {with_settings} of them with settings; {damaged} damaged tallies");
    assert!(with_settings > count / 2 && damaged > count / 40);
}
