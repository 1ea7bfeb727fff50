//! The survey of an image must show what a mount by the store shows.

use std::collections::BTreeMap;

use outlast_image::mount::mount;
use outlast_image::store::Mounted;
use outlast_image::survey::{Entry, Kind, State, Survey, Void};
use outlast_kvstore::inspect::RecordKind;
use outlast_kvstore::{Error, Found};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng};
use rayon::prelude::*;

use crate::sample;

/// How often something was seen.
#[derive(Clone, Copy, Debug, Default)]
struct Seen {
    stores: usize,
    dropped: usize,
    interrupted: usize,
    tallies: usize,
    ticked: usize,
    cut: usize,
}

impl Seen {
    const fn and(self, other: Self) -> Self {
        Self {
            stores: self.stores + other.stores,
            dropped: self.dropped + other.dropped,
            interrupted: self.interrupted + other.interrupted,
            tallies: self.tallies + other.tallies,
            ticked: self.ticked + other.ticked,
            cut: self.cut + other.cut,
        }
    }
}

/// Compares two readings of an image that a random life with power cuts left: the survey, which
/// changes nothing, and the store mounted on a copy.
fn compare(seed: u64) -> Seen {
    let (shape, bytes) = sample::image(seed);
    let region = shape.region(&bytes).expect("a possible shape");
    let survey = Survey::new(region);
    let mut store = match Mounted::open(bytes.clone(), &shape) {
        Ok(store) => store,
        Err(Error::NotAStore(Found::ForeignData)) => {
            assert!(survey.head.is_none(), "seed {seed}");
            return Seen::default();
        }
        Err(other) => panic!("seed {seed}: {other}"),
    };
    if survey.head.is_none() {
        // An interrupted first format.
        assert!(store.keys().expect("keys").is_empty(), "seed {seed}");
        return Seen::default();
    }
    let mut mounted = BTreeMap::new();
    for key in store.keys().expect("keys") {
        let value = store.get(&key).expect("no damage here").expect("a value");
        mounted.insert(key, value);
    }
    let mut seen = BTreeMap::new();
    for (key, number) in &survey.live {
        seen.insert(key.to_vec(), survey.records[*number].record.value.to_vec());
    }
    assert_eq!(mounted, seen, "seed {seed}, {shape}");
    // What one mount reports, the next one does too.
    let mut again = Mounted::open(store.into_parts().0, &shape).expect("a store");
    for key in again.keys().expect("keys") {
        let value = again.get(&key).expect("no damage here");
        assert_eq!(mounted.remove(&key), value, "seed {seed}, {shape}");
    }
    assert!(mounted.is_empty(), "seed {seed}, {shape}: {mounted:?}");
    let damage: Vec<_> = survey.findings.iter().filter(|f| f.kind.is_damage()).collect();
    let harmless = |kind| kind == Kind::OldDamaged;
    assert!(damage.iter().all(|f| harmless(f.kind)), "seed {seed}, {shape}: {damage:?}");
    let no_room = |entry: &&Entry| entry.state == State::Void(Void::NoRoom);
    let live = survey.live.values().map(|number| &survey.records[*number].record);
    let tallies = live.filter(|record| record.kind == RecordKind::Tally);
    let ticked = |record| region.tally(record).is_some_and(|tally| tally.ticks > 0);
    Seen {
        stores: 1,
        dropped: survey.records.iter().filter(no_room).count(),
        interrupted: usize::from(!survey.findings.is_empty()),
        tallies: tallies.clone().count(),
        ticked: tallies.filter(|record| ticked(record)).count(),
        cut: survey.findings.iter().filter(|f| f.kind == Kind::TickCut).count(),
    }
}

/// Seeds whose images have a last record that the next mount drops, since it has no room for it:
/// those among the first 120,000 seeds.
const DROPPED: [u64; 3] = [35_514, 91_091, 117_011];

#[test]
fn a_survey_shows_what_a_mount_shows() {
    let count = std::env::var("OUTLAST_IMAGES").map_or(3000, |n| n.parse().expect("a number"));
    let seeds = (0..count).into_par_iter().chain(DROPPED);
    let seen = seeds.map(compare).reduce(Seen::default, Seen::and);
    println!("{count} images: {seen:?}");
    let Seen { stores, dropped, interrupted, ticked, cut, .. } = seen;
    assert!(stores > count as usize / 2 && interrupted > count as usize / 10);
    // The lives of these seeds change with the store. If few drop a record any more, new seeds are
    // needed.
    assert!(dropped * 2 > DROPPED.len() && dropped * 100 < stores, "{dropped} of {stores}");
    assert!(ticked > stores / 4 && cut > 0, "{ticked} and {cut} of {stores}");
}

/// An interrupted compaction is not a lost sector.
#[test]
fn power_cuts_rarely_look_like_a_lost_sector() {
    let count = std::env::var("OUTLAST_IMAGES").map_or(3000, |n| n.parse().expect("a number"));
    let lost = (5 << 32..(5 << 32) + count).into_par_iter().filter(|seed| {
        let (shape, bytes) = sample::image(*seed);
        let survey = Survey::new(shape.region(&bytes).expect("a shape"));
        let newer = |kind| matches!(kind, Kind::NewerLost | Kind::NewerDoubtful);
        survey.findings.iter().any(|finding| newer(finding.kind))
    });
    let lost = lost.count();
    println!("{lost} of {count} images seem to have lost a sector");
    assert!(lost as u64 * 1000 <= count, "{lost} of {count} images");
}

/// One wrong bit anywhere, in an image that power cuts left.
#[test]
fn a_survey_corrects_the_bits_that_a_mount_corrects() {
    let count = std::env::var("OUTLAST_IMAGES").map_or(3000, |n| n.parse().expect("a number"));
    let corrected = (6 << 32..(6 << 32) + count).into_par_iter().map(|seed| {
        let (shape, mut bytes) = sample::image(seed);
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let at = rng.random_range(0..bytes.len());
        bytes[at] ^= 1 << rng.random_range(0..8);
        let survey = Survey::new(shape.region(&bytes).expect("a shape"));
        let mounted = match mount(&bytes, &shape) {
            Ok(mounted) => mounted.values,
            Err(Error::NotAStore(_)) => {
                assert!(survey.head.is_none(), "seed {seed}");
                return 0;
            }
            Err(other) => panic!("seed {seed}: {other}"),
        };
        let live = |(key, number): (&Vec<u8>, &usize)| {
            let entry = &survey.records[*number];
            (key.clone(), entry.has_value().then(|| entry.record.value.to_vec()))
        };
        let seen: BTreeMap<_, _> = survey.live.iter().map(live).collect();
        assert_eq!(mounted, seen, "seed {seed}, {shape}");
        let found = survey.findings.iter().find(|finding| finding.kind == Kind::Repaired);
        assert!(found.is_none_or(|found| found.address as usize == at), "seed {seed}, {shape}");
        u64::from(found.is_some())
    });
    let corrected: u64 = corrected.sum();
    println!("{corrected} of {count} wrong bits were corrected in records that count");
    assert!(corrected > count / 20);
}
