//! The format as `kvstore/FORMAT.md` describes it, read by `tests/reader.py`: Python, standard
//! library only, none of the store's code. It must agree with the store on every image.

mod common;

use std::collections::BTreeMap;
use std::io::Write as _;
use std::process::Command;

use outlast_image::check::mount;
use outlast_image::value::to_hex;
use outlast_kvstore::{Error, Found};

#[test]
fn an_independent_reader_agrees_with_the_store() {
    let count: u64 = std::env::var("OUTLAST_IMAGES").map_or(2000, |n| n.parse().expect("a number"));
    let folder = std::env::temp_dir().join(format!("outlast-reader-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a folder");
    let path = folder.join("images");
    let mut file = std::io::BufWriter::new(std::fs::File::create(&path).expect("a file"));
    let mut wanted = Vec::new();
    // Other images than those of the other tests.
    for seed in (1 << 32..).take(usize::try_from(count).expect("a count")) {
        let (shape, bytes) = common::image(seed);
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
    let (mut lines, mut with_settings) = (text.lines(), 0);
    for (seed, shape, wanted) in wanted {
        let line = lines.next().expect("a line for each image");
        let read: Option<BTreeMap<String, Option<String>>> =
            serde_json::from_str(line).expect("JSON");
        with_settings += u64::from(!wanted.is_empty());
        assert_eq!(read.unwrap_or_default(), wanted, "seed {seed}, {shape}");
    }
    println!("{count} images, {with_settings} of them with settings");
    assert!(with_settings > count / 2);
    std::fs::remove_dir_all(&folder).expect("removed");
}
