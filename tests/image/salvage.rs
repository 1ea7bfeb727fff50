//! `outlast image salvage` finds every record that is still whole.

use std::collections::BTreeMap;

use outlast_image::mount::mount;
use outlast_image::salvage::salvage;
use outlast_image::shape::Shape;
use outlast_image::survey::{Entry, Survey};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng};

use crate::sample;

fn count() -> u64 {
    std::env::var("OUTLAST_IMAGES").map_or(1500, |n| n.parse().expect("a number"))
}

#[test]
fn all_settings_of_an_intact_image_are_certain() {
    let (mut images, mut doubtful) = (0_u64, 0_u64);
    for seed in (2 << 32..).take(usize::try_from(count()).expect("a count")) {
        let (shape, bytes) = sample::image(seed);
        let Ok(mounted) = mount(&bytes, &shape) else { continue };
        let survey = Survey::new(shape.region(&bytes).expect("a shape"));
        let saved = salvage(&survey);
        let mut values = BTreeMap::new();
        let mut in_doubt = false;
        for (key, value) in &saved.values {
            in_doubt |= !value.certain;
            values.insert(key.to_vec(), Some(value.value.to_vec()));
        }
        assert_eq!(values, mounted.values, "seed {seed}, {shape}");
        images += 1;
        doubtful += u64::from(in_doubt);
    }
    // A sector whose opening a mount has zeroed can look like one whose opening was destroyed. Then
    // it may have been the newest.
    assert!(doubtful * 1000 <= images, "{doubtful} of {images} images are in doubt");
}

/// Destroys openings and other parts: usually some of the openings, sometimes all of them.
fn destroy(bytes: &mut [u8], shape: &Shape, rng: &mut ChaCha8Rng) {
    let size = shape.sector_bytes as usize;
    let all = rng.random_bool(0.3);
    for start in (0..bytes.len()).step_by(size) {
        if all || rng.random_bool(0.4) {
            let len = [1, 16, 32, 40][rng.random_range(0..4_usize)];
            spoil(&mut bytes[start..start + len], rng);
            let end = start + size;
            spoil(&mut bytes[end - 32..end - 32 + len.min(32)], rng);
        }
    }
    for _ in 0..rng.random_range(0..8) {
        let from = rng.random_range(0..bytes.len());
        let len = rng.random_range(1..80).min(bytes.len() - from);
        spoil(&mut bytes[from..from + len], rng);
    }
}

fn spoil(bytes: &mut [u8], rng: &mut ChaCha8Rng) {
    match rng.random_range(0..3) {
        0 => bytes.fill(0),
        1 => bytes.fill(0xFF),
        _ => bytes.iter_mut().for_each(|b| *b ^= rng.random_range(1..=255_u8)),
    }
}

#[test]
fn every_intact_record_is_found() {
    let (mut intact, mut lost) = (0_u64, 0_u64);
    for seed in (3 << 32..).take(usize::try_from(count()).expect("a count")) {
        let (shape, original) = sample::image(seed);
        let before = Survey::new(shape.region(&original).expect("a shape"));
        let mut bytes = original.clone();
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        destroy(&mut bytes, &shape, &mut rng);
        let after = Survey::new(shape.region(&bytes).expect("a shape"));
        let found = salvage(&after);
        let found: BTreeMap<u32, (u32, u32)> =
            found.records.iter().map(|saved| (saved.record.address, saved.generation)).collect();
        let whole = |entry: &&Entry| entry.passes && entry.record.repair.is_none();
        for entry in before.records.iter().filter(whole) {
            let range = entry.record.address as usize..entry.record.end as usize;
            if bytes[range.clone()] != original[range] {
                lost += 1;
                continue;
            }
            intact += 1;
            let generation = found.get(&entry.record.address);
            assert_eq!(
                generation,
                Some(&entry.generation),
                "seed {seed}, {shape}: {:x?}",
                entry.record
            );
        }
    }
    println!("{intact} intact records found, {lost} were destroyed");
    assert!(intact > 5 * count() && lost > count());
}
