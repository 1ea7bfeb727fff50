//! Images of parts that are worn: with a sector that cannot be used, and with damage in the middle
//! of the head.
//!
//! Goal: the survey, the independent reader and the command say what the store says. Method: lives
//! on a part one sector of which cannot be erased or takes no programs from some moment on, with
//! power cuts; and whole images in which bytes of the head are destroyed.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;

use outlast_image::mount::{Values, mount};
use outlast_image::shape::Shape;
use outlast_image::survey::{Kind, Survey};
use outlast_kvstore::embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash,
};
use outlast_kvstore::{Change, Error, Store};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng};
use serde_json::Value;

use crate::command::{Folder, image};
use crate::command_line::{code, stderr};
use crate::reader::{in_hex, read_all};

/// What is wrong with the bad sector.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Wear {
    RefusesErases,
    /// An erase says that it worked, and has no effect.
    IgnoresErases,
    /// It can be erased, but programs have no effect.
    IgnoresPrograms,
}

#[derive(Clone, Debug)]
struct Cells {
    bytes: Vec<u8>,
    sector_bytes: u32,
    bad: Option<(u32, Wear)>,
    /// Programs and erases until the power is cut.
    until_cut: Option<u32>,
}

impl Cells {
    fn wear(&self, at: u32) -> Option<Wear> {
        self.bad.filter(|(sector, _)| at / self.sector_bytes == *sector).map(|(_, wear)| wear)
    }

    /// Counts an operation. Returns whether the power is cut in it, and fails after that.
    fn count(&mut self) -> Result<bool, NorFlashErrorKind> {
        match &mut self.until_cut {
            None => Ok(false),
            Some(0) => Err(NorFlashErrorKind::Other),
            Some(left) => {
                *left -= 1;
                Ok(*left == 0)
            }
        }
    }
}

/// A flash with a unit of `UNIT` bytes. The test can reach it while a store works on it.
#[derive(Clone, Debug)]
struct Part<const UNIT: usize>(Rc<RefCell<Cells>>);

impl<const UNIT: usize> ErrorType for Part<UNIT> {
    type Error = NorFlashErrorKind;
}

impl<const UNIT: usize> ReadNorFlash for Part<UNIT> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, at: u32, out: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        let cells = self.0.borrow();
        if cells.until_cut == Some(0) {
            return Err(NorFlashErrorKind::Other);
        }
        out.copy_from_slice(&cells.bytes[at as usize..][..out.len()]);
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.0.borrow().bytes.len()
    }
}

impl<const UNIT: usize> NorFlash for Part<UNIT> {
    const WRITE_SIZE: usize = UNIT;
    const ERASE_SIZE: usize = 512;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        let mut cells = self.0.borrow_mut();
        let is_cut = cells.count()?;
        match cells.wear(from) {
            Some(Wear::RefusesErases) => return Err(NorFlashErrorKind::Other),
            Some(Wear::IgnoresErases) => return Ok(()),
            _ => {}
        }
        // A cut erase has reached half of the sector.
        let to = if is_cut { from.midpoint(to) } else { to };
        cells.bytes[from as usize..to as usize].fill(0xFF);
        if is_cut { Err(NorFlashErrorKind::Other) } else { Ok(()) }
    }

    fn write(&mut self, at: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        let mut cells = self.0.borrow_mut();
        let is_cut = cells.count()?;
        if cells.wear(at) == Some(Wear::IgnoresPrograms) {
            return Ok(());
        }
        let done = if is_cut { bytes.len() / 2 } else { bytes.len() };
        for (cell, byte) in cells.bytes[at as usize..].iter_mut().zip(&bytes[..done]) {
            *cell &= byte;
        }
        if is_cut { Err(NorFlashErrorKind::Other) } else { Ok(()) }
    }
}

type Opened<const UNIT: usize> = Store<Part<UNIT>, 64>;

fn open<const UNIT: usize>(part: &Part<UNIT>, shape: &Shape) -> Result<Opened<UNIT>, Failure> {
    Store::open(part.clone(), shape.layout())
}

type Failure = Error<NorFlashErrorKind>;

fn change<const UNIT: usize>(
    store: &mut Opened<UNIT>,
    rng: &mut ChaCha8Rng,
) -> Result<(), Failure> {
    let key = |rng: &mut ChaCha8Rng| format!("k{}", rng.random_range(0..6));
    let len = rng.random_range(0..24);
    let value: Vec<u8> = (0..len).map(|_| rng.random()).collect();
    let (one, other) = (key(rng), key(rng));
    match rng.random_range(0..10) {
        0..6 => store.put(&one, &value),
        6 => store.delete(&one).map(|_| ()),
        7 if one != other => store.commit(&[Change::put(&one, &value), Change::delete(&other)]),
        8 => store.tick("boots").map(|_| ()),
        9 if rng.random_bool(0.2) => store.tidy(),
        _ => store.rest(),
    }
}

/// All settings, as the store on such a part has them. `None` if a mount would need the bad sector.
fn settings<const UNIT: usize>(cells: &Cells, shape: &Shape) -> Option<Values> {
    let copy = Cells { until_cut: None, ..cells.clone() };
    let mut store = open(&Part::<UNIT>(Rc::new(RefCell::new(copy))), shape).ok()?;
    let mut keys = Vec::new();
    store.for_each_key(|key, _| keys.push(key.to_vec())).expect("no damage");
    let mut buffer = [0; 64];
    let mut value = |key: &[u8]| match store.get(key, &mut buffer) {
        Ok(value) => value.map(<[u8]>::to_vec),
        Err(Error::Corrupt) => None,
        Err(error) => panic!("{error}"),
    };
    Some(keys.into_iter().map(|key| (key.clone(), value(&key))).collect())
}

/// An image that a life on a part with a bad sector left.
struct Life {
    shape: Shape,
    bad: (u32, Wear),
    bytes: Vec<u8>,
    settings: Values,
}

fn live<const UNIT: usize>(seed: u64) -> Option<Life> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let sectors = [3, 4, 5, 8][rng.random_range(0..4_usize)];
    let sector_bytes = if UNIT > 1 { 2048 } else { 1024 };
    let shape = Shape { sectors, sector_bytes, page_bytes: 128, unit: UNIT as u32 };
    let wear = [Wear::RefusesErases, Wear::IgnoresErases, Wear::IgnoresPrograms];
    let bad = (rng.random_range(0..sectors), wear[rng.random_range(0..3_usize)]);
    let bytes = vec![0xFF; (sectors * sector_bytes) as usize];
    let cells = Cells { bytes, sector_bytes, bad: None, until_cut: None };
    let part = Part::<UNIT>(Rc::new(RefCell::new(cells)));
    drop(open(&part, &shape).expect("a blank part"));
    let onset = rng.random_range(0..12);
    for power_up in 0..rng.random_range(onset + 1..24) {
        if power_up == onset {
            part.0.borrow_mut().bad = Some(bad);
        }
        let until_cut = rng.random_bool(0.4).then(|| rng.random_range(1..120));
        part.0.borrow_mut().until_cut = until_cut;
        let Ok(mut store) = open(&part, &shape) else { continue };
        for _ in 0..rng.random_range(0..60) {
            if change(&mut store, &mut rng).is_err() {
                break;
            }
        }
    }
    let cells = part.0.borrow().clone();
    let settings = settings::<UNIT>(&cells, &shape)?;
    Some(Life { shape, bad, bytes: cells.bytes, settings })
}

fn lives() -> Vec<(u64, Life)> {
    let count = std::env::var("OUTLAST_IMAGES").map_or(600, |n| n.parse().expect("a number"));
    let one = |seed| match seed % 3 {
        0 => live::<1>(seed),
        1 => live::<4>(seed),
        _ => live::<8>(seed),
    };
    let lives: Vec<_> =
        (8 << 32..(8 << 32) + count).filter_map(|seed| Some((seed, one(seed)?))).collect();
    println!("{} of {count} parts can be mounted", lives.len());
    assert!(lives.len() as u64 * 100 > count * 90);
    lives
}

/// The values that a survey finds.
fn surveyed(survey: &Survey<'_>) -> Values {
    let value = |number: &usize| {
        let entry = &survey.records[*number];
        entry.has_value().then(|| entry.record.value.to_vec())
    };
    survey.live.iter().map(|(key, number)| (key.clone(), value(number))).collect()
}

#[test]
fn a_sector_that_was_passed_over_is_seen_by_every_reader() {
    let lives = lives();
    let read = read_all("worn", lives.iter().map(|(_, life)| (&life.shape, &*life.bytes)));
    assert_eq!(read.len(), lives.len());
    let folder = Folder::new("worn");
    let (mut passed_over, mut retired, mut shown) = (0, 0, 0);
    for ((seed, life), read) in lives.iter().zip(read) {
        let Life { shape, bad, bytes, settings } = life;
        let what = format!("seed {seed}, {shape}, {bad:?}");
        let survey = Survey::new(shape.region(bytes).expect("a shape"));
        assert_eq!(surveyed(&survey), *settings, "{what}");
        assert_eq!(read, in_hex(settings.clone()), "{what}");
        assert_eq!(mount(bytes, shape).expect("a store").values, *settings, "{what}");
        let damage: Vec<_> = survey.findings.iter().filter(|it| it.kind.is_damage()).collect();
        assert!(damage.iter().all(|it| it.kind == Kind::OldDamaged), "{what}: {damage:?}");
        let (sector, head) = survey.head.expect("a head");
        let opening = survey.region.opening(sector).expect("an opening");
        retired += usize::from(head.oldest != opening.oldest);
        if survey.passed_over().is_empty() {
            continue;
        }
        passed_over += 1;
        // No sound sector is blamed.
        assert_eq!(survey.passed_over(), [bad.0], "{what}");
        if shown < 12 && sector < 3 {
            shown += 1;
            compare_with_command(&folder, life, &what);
        }
    }
    println!("{} images: {passed_over} passed over, {retired} retired", lives.len());
    assert!(passed_over > lives.len() / 4 && retired > 0 && shown == 12);
}

/// What the command prints about an image.
fn compare_with_command(folder: &Folder, life: &Life, what: &str) {
    let file = folder.file("worn.bin", &life.bytes);
    let output = image(&["show", &file, "--json"]);
    assert!([0, 10].contains(&code(&output)), "{what}: {}", stderr(&output));
    let shown: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let role = &shown["sectors"][life.bad.0 as usize]["role"];
    assert_eq!(role, "passed-over", "{what}");
    let keys = shown["keys"].as_array().expect("a list").iter();
    let keys: BTreeMap<_, _> = keys.map(|it| (it["key"].as_str(), it["hex"].as_str())).collect();
    let wanted: Vec<_> = life.settings.keys().map(|it| String::from_utf8(it.clone())).collect();
    let wanted: Vec<_> = wanted.iter().map(|it| it.as_deref().ok()).collect();
    assert_eq!(keys.keys().copied().collect::<Vec<_>>(), wanted, "{what}");
    let output = image(&["show", &file]);
    assert!(String::from_utf8_lossy(&output.stdout).contains("  passed-over "), "{what}");
    let output = image(&["check", &file]);
    assert!([0, 10].contains(&code(&output)), "{what}: {}", stderr(&output));
    let text = String::from_utf8_lossy(&output.stdout);
    let keys = format!("and then show {} key", life.settings.len());
    assert!(text.contains(&keys), "{what}: {text}");
    let output = image(&["export", &file]);
    assert_eq!(code(&output), 0, "{what}: {}", stderr(&output));
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let wanted = life.settings.keys().filter_map(|key| std::str::from_utf8(key).ok());
    assert!(wanted.clone().all(|key| text.contains(key)), "{what}: {text}");
}

/// A store of many puts, all of them in the head.
fn filled(seed: u64) -> (Shape, Vec<u8>) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let shape = Shape { sectors: 4, sector_bytes: 4096, page_bytes: 256, unit: 4 };
    let cells = Cells { bytes: vec![0xFF; 16384], sector_bytes: 4096, bad: None, until_cut: None };
    let part = Part::<4>(Rc::new(RefCell::new(cells)));
    for _ in 0..rng.random_range(1..4) {
        let mut store = open(&part, &shape).expect("a store");
        for _ in 0..rng.random_range(4..30) {
            change(&mut store, &mut rng).expect("stored");
        }
    }
    let bytes = part.0.borrow().bytes.clone();
    (shape, bytes)
}

#[test]
fn damage_in_the_middle_of_the_head_costs_the_same_in_every_reader() {
    let count = std::env::var("OUTLAST_IMAGES").map_or(600, |n| n.parse().expect("a number"));
    let (mut images, mut wanted) = (Vec::new(), Vec::new());
    let mut skipped = 0;
    for seed in 9 << 32..(9 << 32) + count {
        let (shape, mut bytes) = filled(seed);
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let end = bytes[..4064].iter().rposition(|byte| *byte != 0xFF).expect("records");
        let at = rng.random_range(140..end);
        let len = rng.random_range(1..20).min(end - at);
        bytes[at..at + len].fill_with(|| rng.random());
        let mounted = mount(&bytes, &shape).expect("a store");
        let survey = Survey::new(shape.region(&bytes).expect("a shape"));
        let what = format!("seed {seed}, {len} bytes at {at:#x}: {:?}", survey.findings);
        assert_eq!(surveyed(&survey), mounted.values, "{what}");
        let found = survey.findings.iter().any(|finding| finding.kind == Kind::Unreadable);
        skipped += usize::from(found);
        if found {
            assert!(mounted.usage.doubtful_absent, "{what}");
        }
        wanted.push((what, in_hex(mounted.values)));
        images.push((shape, bytes));
    }
    let read = read_all("damaged", images.iter().map(|(shape, bytes)| (shape, &**bytes)));
    assert_eq!(read.len(), wanted.len());
    for (read, (what, wanted)) in read.into_iter().zip(wanted) {
        assert_eq!(read, wanted, "{what}");
    }
    println!("{count} images: {skipped} with a place that was skipped");
    assert!(skipped > count as usize / 5);
}

#[test]
fn the_command_shows_what_follows_damage_in_the_head() {
    let shape = Shape { sectors: 4, sector_bytes: 4096, page_bytes: 256, unit: 1 };
    let cells = Cells { bytes: vec![0xFF; 16384], sector_bytes: 4096, bad: None, until_cut: None };
    let part = Part::<1>(Rc::new(RefCell::new(cells)));
    let mut store = open(&part, &shape).expect("a store");
    for n in 0..20 {
        store.put(&format!("key{n:02}"), format!("value {n}").as_bytes()).expect("stored");
    }
    let mut bytes = part.0.borrow().bytes.clone();
    let key = bytes.windows(5).position(|window| window == b"key10").expect("the record");
    // Its whole header.
    bytes[key - 4..key].fill(0);
    let folder = Folder::new("damaged-head");
    let file = folder.file("damaged.bin", &bytes);
    let output = image(&["check", &file, "--json"]);
    assert_eq!(code(&output), 11, "{}", stderr(&output));
    let checked: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!(checked["verdict"], "damaged");
    assert_eq!(checked["findings"][0]["kind"], "records-unreadable");
    assert_eq!(checked["findings"].as_array().map(Vec::len), Some(1));
    assert_eq!(checked["mount"]["keys"], 19);
    let output = image(&["show", &file]);
    assert_eq!(code(&output), 11);
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(text.contains("19 keys") && text.contains("the log goes on after it"), "{text}");
    let output = image(&["export", &file]);
    assert_eq!(code(&output), 11);
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(text.contains("value 9") && text.contains("value 19"), "{text}");
    assert!(!text.contains("value 10"), "{text}");
}
