//! Broken and hostile dumps: whatever a file holds, the image commands judge it without a panic.
//!
//! Goal: no input panics or hangs. Method: images that power cuts left are corrupted at random, with
//! forged openings and headers among the damage, and everything that `show`, `check` and `salvage`
//! do is done with them. A million inputs: `OUTLAST_INPUTS=1000000 cargo test --test image hostile
//! -- --nocapture`

use outlast_image::check::verdict_of_file;
use outlast_image::container::{self, Container, Segment, Writing};
use outlast_image::find::{self, Known};
use outlast_image::flaws::Flaws;
use outlast_image::salvage::salvage;
use outlast_image::shape::Shape;
use outlast_kvstore::inspect::OPENING_BYTES;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng};

use crate::{opening, page, raw, sample, sentences};

/// Does what `show`, `check` and `salvage` do with the contents of a file.
fn look(contents: Vec<u8>, whole_page: bool) -> &'static str {
    let kind = Container::of_contents(&contents);
    let Ok(contents) = container::read(contents, kind) else { return "unreadable" };
    let segments = &contents.segments;
    let Ok(place) = find::region(segments, &Known::default()) else { return "no store" };
    let flaws = Flaws::of(&contents, &place);
    let verdict = verdict_of_file(place.bytes(segments), &place.shape, &flaws);
    let Some(verdict) = verdict else { return "no shape" };
    let survey = &verdict.survey;
    let mut length = 0;
    for finding in &survey.findings {
        length += sentences::finding(survey, finding).len();
    }
    for entry in survey.records.iter().take(50) {
        length += sentences::state(survey, entry).len();
        length +=
            raw::explain(survey, &format!("0x{:x}", entry.record.address)).map_or(0, |t| t.len());
    }
    for key in survey.live.keys() {
        assert!(!survey.history(key).is_empty());
    }
    let saved = salvage(survey);
    assert!(saved.values.len() <= saved.records.len());
    if whole_page {
        let subject =
            page::Subject { name: "x", base: 0, verdict: &verdict, show: &|_, v| format!("{v:?}") };
        length += page::page(&subject).len();
    }
    assert!(length < usize::MAX);
    verdict.class.name()
}

/// An opening that passes its checks and may say anything.
fn forged_opening(rng: &mut ChaCha8Rng, shape: &Shape) -> [u8; OPENING_BYTES] {
    let mut out = [0; OPENING_BYTES];
    out[..3].copy_from_slice(&[0x0A, 0x57, if rng.random_bool(0.9) { 2 } else { rng.random() }]);
    out[3] = (shape.unit.trailing_zeros() | shape.page_bytes.trailing_zeros() << 3) as u8;
    out[4..7].copy_from_slice(&shape.sector_bytes.to_le_bytes()[..3]);
    out[7..9].copy_from_slice(&(shape.sectors as u16).to_le_bytes());
    if rng.random_bool(0.2) {
        out[3 + rng.random_range(0..6)] = rng.random();
    }
    // Numbers near the usual ones, or any numbers.
    for byte in &mut out[9..26] {
        *byte = if rng.random_bool(0.5) { 0 } else { rng.random() };
    }
    if rng.random_bool(0.7) {
        out[9..17].fill(0);
        out[13] = rng.random_range(0..20);
        out[17..19].copy_from_slice(&[rng.random_range(0..6), 0]);
    }
    opening::seal(&mut out);
    out
}

/// The word of a slot with which a sector decides that the next one counts, that it does not, that it
/// counts itself, that the next one is passed over, or that the oldest one is no longer part of the
/// log.
fn decision(sequence: u32, slot: u32, which: usize) -> [u8; 4] {
    let check = crc32c::crc32c_append(crc32c::crc32c(&sequence.to_le_bytes()), &slot.to_le_bytes());
    let word = check as u16 ^ [0x0000, 0xFFFF, 0x5A5A, 0xA5A5, 0x3C3C][which];
    (u32::from(word) | u32::from(!word) << 16).to_le_bytes()
}

/// The four bytes of a record header that passes its check.
fn forged_header(rng: &mut ChaCha8Rng) -> [u8; 4] {
    let fields = rng.random::<u32>() & ((1 << 22) - 1);
    let checked = fields | (crc32c::crc32c(&fields.to_le_bytes()) & 31) << 22;
    (checked | (27 - checked.count_ones()) << 27).to_le_bytes()
}

/// Writes an opening over that of the sector at an address, and a decision about it.
fn forge_sector(bytes: &mut [u8], at: usize, rng: &mut ChaCha8Rng, shape: &Shape) {
    let size = shape.sector_bytes as usize;
    let start = at / size * size;
    let opening = forged_opening(rng, shape);
    bytes[start..start + OPENING_BYTES].copy_from_slice(&opening);
    if rng.random_bool(0.5) {
        let second = start + size - OPENING_BYTES;
        bytes[second..start + size].copy_from_slice(&opening);
    }
    // A slot of the sector before: a tag, and a word of any kind.
    let slots = if start == 0 { bytes.len() - size } else { start - size } + 32;
    let unit = shape.unit as usize;
    bytes[slots..slots + unit].fill(0);
    let decision = decision(rng.random_range(0..20), 0, rng.random_range(0..5));
    bytes[slots + unit..slots + unit + 4].copy_from_slice(&decision);
}

fn spoiled(pool: &[(Shape, Vec<u8>)], rng: &mut ChaCha8Rng) -> Vec<u8> {
    let (shape, image) = &pool[rng.random_range(0..pool.len())];
    let mut bytes = image.clone();
    for _ in 0..rng.random_range(0..6) {
        let at = rng.random_range(0..bytes.len());
        let len = rng.random_range(1..64).min(bytes.len() - at);
        match rng.random_range(0..9) {
            0 => bytes[at] ^= 1 << rng.random_range(0..8),
            1 => bytes[at] = rng.random(),
            2 => bytes[at..at + len].fill(0),
            3 => bytes[at..at + len].fill(0xFF),
            4 => bytes[at..at + len].iter_mut().for_each(|b| *b = rng.random()),
            5 => {
                let other = &pool[rng.random_range(0..pool.len())].1;
                let from = rng.random_range(0..other.len());
                let len = len.min(other.len() - from);
                bytes[at..at + len].copy_from_slice(&other[from..from + len]);
            }
            6 => {
                forge_sector(&mut bytes, at, rng, shape);
            }
            7 if at + 4 <= bytes.len() => bytes[at..at + 4].copy_from_slice(&forged_header(rng)),
            _ => {
                // A tag, and the header of a record after it.
                let page = at / shape.page_bytes as usize * shape.page_bytes as usize;
                let unit = shape.unit as usize;
                bytes[page..page + unit].fill(0);
                bytes[page + unit..page + unit + 4].copy_from_slice(&forged_header(rng));
            }
        }
    }
    match rng.random_range(0..10) {
        0 => bytes.truncate(rng.random_range(0..bytes.len())),
        1 => drop(bytes.splice(0..0, vec![0x5A; rng.random_range(1..2000)])),
        2 => bytes = (0..rng.random_range(0..3000)).map(|_| rng.random()).collect(),
        3 | 4 => {
            let container = if rng.random_bool(0.5) { Container::Hex } else { Container::Uf2 };
            let how = Writing {
                container,
                skip_blank: rng.random_bool(0.5).then_some(shape.page_bytes),
                family: None,
            };
            let address = rng.random::<u32>() & 0xFFFF_FF00;
            if let Ok(mut file) =
                container::write(&[Segment { address, bytes: bytes.clone() }], &how)
            {
                for _ in 0..rng.random_range(0..3) {
                    let at = rng.random_range(0..file.len());
                    file[at] = if rng.random_bool(0.5) {
                        rng.random()
                    } else {
                        b"0123ABCDEF:\n"[rng.random_range(0..12_usize)]
                    };
                }
                if rng.random_bool(0.3) {
                    file.truncate(rng.random_range(0..file.len()));
                }
                bytes = file;
            }
        }
        _ => {}
    }
    bytes
}

#[test]
fn no_input_makes_it_panic() {
    let inputs: u64 =
        std::env::var("OUTLAST_INPUTS").map_or(20_000, |n| n.parse().expect("a number"));
    let images = (4 << 32..).map(sample::image).filter(|(_, bytes)| bytes.len() <= 4096);
    let pool: Vec<_> = images.take(300).collect();
    let threads = std::thread::available_parallelism().map_or(1, |n| n.get() as u64);
    let counts = std::thread::scope(|scope| {
        let work = |thread: u64| {
            let pool = &pool;
            move || {
                let mut counts = std::collections::BTreeMap::new();
                for input in (thread..inputs).step_by(threads as usize) {
                    let mut rng = ChaCha8Rng::seed_from_u64(input);
                    let bytes = spoiled(pool, &mut rng);
                    let outcome = std::panic::catch_unwind(|| look(bytes, input % 50 == 0));
                    let outcome = outcome.unwrap_or_else(|_| panic!("input {input}"));
                    *counts.entry(outcome).or_insert(0_u64) += 1;
                }
                counts
            }
        };
        let running: Vec<_> = (0..threads).map(|thread| scope.spawn(work(thread))).collect();
        let mut sum = std::collections::BTreeMap::new();
        for thread in running {
            for (outcome, count) in thread.join().expect("no panic") {
                *sum.entry(outcome).or_insert(0_u64) += count;
            }
        }
        sum
    });
    println!("{inputs} inputs: {counts:?}");
    for outcome in ["clean", "interrupted", "damaged", "no store", "unreadable", "not-a-store"] {
        assert!(counts.contains_key(outcome), "no input was {outcome}: {counts:?}");
    }
}
