//! What `outlast image` reads out of an image, against what the store itself makes of it.

mod common;

use std::collections::BTreeMap;

use outlast_image::store::Mounted;
use outlast_image::survey::{Entry, Kind, State, Survey, Void};
use outlast_kvstore::inspect::{RecordKind, Region, Shape as Told};
use outlast_kvstore::{Error, Found};

/// Compares, for images that random lives with power cuts leave: the survey, which changes
/// nothing, and the store mounted on a copy.
#[test]
fn a_survey_shows_what_a_mount_shows() {
    let count = std::env::var("OUTLAST_IMAGES").map_or(3000, |n| n.parse().expect("a number"));
    let (mut stores, mut dropped, mut interrupted) = (0, 0, 0);
    let (mut tallies, mut ticked, mut cut) = (0, 0, 0);
    for seed in 0..count {
        let (shape, bytes) = common::image(seed);
        let told = Told {
            sectors: shape.sectors,
            sector_bytes: shape.sector_bytes,
            page_bytes: shape.page_bytes,
            unit: shape.unit,
        };
        let region = Region::new(&bytes, &told).expect("a possible shape");
        let survey = Survey::new(region);
        let mut store = match Mounted::open(bytes.clone(), &shape) {
            Ok(store) => store,
            Err(Error::NotAStore(Found::ForeignData)) => {
                assert!(survey.head.is_none(), "seed {seed}");
                continue;
            }
            Err(other) => panic!("seed {seed}: {other}"),
        };
        if survey.head.is_none() {
            // An interrupted first format.
            assert!(store.keys().expect("keys").is_empty(), "seed {seed}");
            continue;
        }
        stores += 1;
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
        let no_room = |entry: &&Entry<'_>| entry.state == State::Void(Void::NoRoom);
        dropped += survey.records.iter().filter(no_room).count();
        let damage: Vec<_> = survey.findings.iter().filter(|f| f.kind.is_damage()).collect();
        let harmless = |kind| matches!(kind, Kind::OpeningLost | Kind::OldDamaged);
        assert!(damage.iter().all(|f| harmless(f.kind)), "seed {seed}, {shape}: {damage:?}");
        interrupted += usize::from(!survey.findings.is_empty());
        cut += survey.findings.iter().filter(|f| f.kind == Kind::TickCut).count();
        for number in survey.live.values() {
            let record = &survey.records[*number].record;
            tallies += usize::from(record.kind == RecordKind::Tally);
            ticked += usize::from(region.tally(record).is_some_and(|tally| tally.ticks > 0));
        }
    }
    println!(
        "{count} images: {stores} stores, {interrupted} interrupted, {dropped} with a dropped record; \
         {tallies} live tallies, {ticked} with ticks, {cut} with one cut off"
    );
    assert!(stores > count as usize / 2 && interrupted > count as usize / 10);
    assert!(dropped * 100 < stores, "{dropped} of {stores}");
    assert!(ticked > stores / 4 && cut > 0, "{ticked} and {cut} of {stores}");
}
