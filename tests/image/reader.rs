//! An independent reader of the format must agree with the store on every image. The reader is
//! `tests/reader.py` (and `reader_flash.py`), written after `kvstore/FORMAT.md` in Python with its
//! standard library only, and shares no code with the store. Some of the images have a wrong bit, or damaged tallies.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::process::Command;

use outlast_image::mount::{Values, mount};
use outlast_image::shape::Shape;
use outlast_image::survey::Survey;
use outlast_image::value::to_hex;
use outlast_kvstore::{Error, Found};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng};

use crate::sample;

/// Clears two bits in each live tally: of the next cell, which does no harm, or of a later one.
fn spoil_tallies(bytes: &mut [u8], shape: &Shape, rng: &mut ChaCha8Rng) {
    let image = bytes.to_vec();
    let survey = Survey::new(shape.region(&image).expect("a shape"));
    for number in survey.live.values() {
        let record = &survey.records[*number].record;
        if let Some(tally) = survey.region.tally(record) {
            let at = rng.random_range(tally.cells_at..record.end - record.trailer_bytes);
            for _ in 0..2 {
                bytes[at as usize] &= !(1 << rng.random_range(0..8));
            }
        }
    }
}

/// What the reader makes of an image: each key and its value in hex, `None` where it is damaged.
pub(crate) type Settings = BTreeMap<String, Option<String>>;

/// Each key and value as the reader gives them.
pub(crate) fn in_hex(values: Values) -> Settings {
    let hex = |value: Option<Vec<u8>>| value.map(|value| to_hex(&value));
    values.into_iter().map(|(key, value)| (to_hex(&key), hex(value))).collect()
}

/// Lets the reader read images. Its answer is empty where there is no store.
pub(crate) fn read_all<'a>(
    name: &str,
    images: impl Iterator<Item = (&'a Shape, &'a [u8])>,
) -> Vec<Settings> {
    let name = format!("outlast-reader-{}-{name}", std::process::id());
    let path = std::env::temp_dir().join(name);
    let mut file = std::io::BufWriter::new(std::fs::File::create(&path).expect("a file"));
    for (shape, bytes) in images {
        let (sectors, size) = (shape.sectors, shape.sector_bytes);
        writeln!(file, "{sectors} {size} {} {}", shape.page_bytes, shape.unit).expect("written");
        file.write_all(bytes).expect("written");
    }
    file.flush().expect("written");
    let reader = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reader.py");
    let output = Command::new("python3").arg("-B").arg(reader).arg("--many").arg(&path).output();
    let output = output.expect("this test needs python3");
    std::fs::remove_file(&path).expect("removed");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).expect("text");
    let read = |line| serde_json::from_str::<Option<Settings>>(line).expect("JSON");
    text.lines().map(|line| read(line).unwrap_or_default()).collect()
}

/// Compares this many images. Returns how many have settings and how many tallies are damaged.
fn compare(part: u64, count: u64) -> (u64, u64) {
    let (mut images, mut wanted) = (Vec::new(), Vec::new());
    // Not the images of the other tests.
    for seed in (1 << 32) + part * count..(1 << 32) + (part + 1) * count {
        let (shape, mut bytes) = sample::image(seed);
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        match seed % 4 {
            0 => spoil_tallies(&mut bytes, &shape, &mut rng),
            1 => {
                let at = rng.random_range(0..bytes.len());
                bytes[at] ^= 1 << rng.random_range(0..8);
            }
            _ => {}
        }
        let settings = match mount(&bytes, &shape) {
            Ok(mounted) => mounted.values,
            Err(Error::NotAStore(Found::ForeignData)) => BTreeMap::new(),
            Err(error) => panic!("seed {seed}: {error}"),
        };
        wanted.push((seed, in_hex(settings)));
        images.push((shape, bytes));
    }
    let read = read_all(&part.to_string(), images.iter().map(|(shape, bytes)| (shape, &**bytes)));
    assert_eq!(read.len(), images.len());
    let (mut with_settings, mut damaged) = (0, 0);
    for ((read, (seed, wanted)), (shape, _)) in read.into_iter().zip(wanted).zip(&images) {
        with_settings += u64::from(!wanted.is_empty());
        damaged += wanted.values().filter(|value| value.is_none()).count() as u64;
        assert_eq!(read, wanted, "seed {seed}, {shape}");
    }
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
