//! Counters.
//!
//! Goal: a count is exact whatever else happens to the store, and a tick costs what is stated.
//! Method: random steps on a store and on plain numbers, cuts in the middle of ticks, and counts of
//! the simulated part.

use outlast_faultsim::part::{Bias, Chip, Geometry, Image, MultiNor, Nor, Part, Tear};
use outlast_kvstore::embedded_storage::nor_flash::NorFlash;
use outlast_kvstore::{Error, Layout, Store};
use proptest::prelude::*;

fn part(unit: u32, sector_bytes: u32) -> Part {
    let page = if unit == 1 { 256 } else { unit };
    Part::new(Chip::new(Geometry::new(4, sector_bytes, unit, page).unwrap()))
}

fn layout(part: &Part) -> Layout {
    let Geometry { sector_bytes, page, .. } = part.chip().geometry();
    Layout::serial_nor().with_sector_bytes(sector_bytes).with_page_bytes(page)
}

fn power_cycle(part: &Part) {
    let image = part.chip().image().clone();
    part.chip_mut().power_up(&image, Bias::ONES);
}

#[derive(Clone, Debug)]
enum Step {
    Tick(usize, u8),
    Add(usize, u64),
    Set(usize, u64),
    Delete(usize),
    /// Fills the log, so that sectors are compacted.
    Other(u8, usize),
    Tidy,
    Reopen,
}

const KEYS: [&str; 3] = ["boots", "energy.wh", "x"];

fn any_step() -> impl Strategy<Value = Step> {
    let key = 0..KEYS.len();
    prop_oneof![
        8 => (key.clone(), 1..200_u8).prop_map(|(key, times)| Step::Tick(key, times)),
        1 => (key.clone(), any::<u32>()).prop_map(|(key, n)| Step::Add(key, n.into())),
        1 => (key.clone(), any::<u64>()).prop_map(|(key, n)| Step::Set(key, n >> 8)),
        1 => key.prop_map(Step::Delete),
        4 => (0..6_u8, 0..60_usize).prop_map(|(key, len)| Step::Other(key, len)),
        1 => Just(Step::Tidy),
        2 => Just(Step::Reopen),
    ]
}

/// Runs the steps on a store and on three numbers. `tick` is the way of ticking.
fn compare<F: NorFlash<Error: PartialEq>>(
    part: &Part,
    flash: impl Fn() -> F,
    tick: impl Fn(&mut Store<F, 16>, &str, u64) -> Result<u64, Error<F::Error>>,
    steps: &[Step],
) {
    let mut model = [0_u64; KEYS.len()];
    let mut store: Store<F, 16> = Store::open(flash(), layout(part)).unwrap();
    for step in steps {
        match *step {
            Step::Tick(key, times) => {
                for _ in 0..times {
                    model[key] += 1;
                    assert_eq!(tick(&mut store, KEYS[key], model[key]), Ok(model[key]));
                }
            }
            Step::Add(key, more) => {
                model[key] += more;
                assert_eq!(store.add(KEYS[key], more), Ok(model[key]));
            }
            Step::Set(key, count) => {
                model[key] = count;
                store.put(KEYS[key], &count.to_le_bytes()).unwrap();
            }
            Step::Delete(key) => {
                model[key] = 0;
                store.delete(KEYS[key]).unwrap();
            }
            Step::Other(key, len) => store.put(&[key], &vec![key; len]).unwrap(),
            Step::Tidy => store.tidy().unwrap(),
            Step::Reopen => {
                drop(store);
                power_cycle(part);
                store = Store::open(flash(), layout(part)).unwrap();
            }
        }
        for (key, count) in KEYS.iter().zip(model) {
            assert_eq!(store.count(key), Ok(count), "{key} after {step:?}");
        }
    }
    assert!(part.chip().violations().is_empty());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn counts_are_exact(steps in proptest::collection::vec(any_step(), 1..60)) {
        // The part refuses everything but one program of a unit, and zeros.
        let one = part(1, 1024);
        compare(&one, || one.nor::<1, 1>(), |store, key, _| store.tick(key), &steps);
        let eight = part(8, 1024);
        compare(&eight, || eight.nor::<4, 8>(), |store, key, _| store.tick(key), &steps);
        let wide = part(32, 2048);
        compare(&wide, || wide.nor::<8, 32>(), |store, key, _| store.tick(key), &steps);
        // Bit by bit, alone and mixed with whole units.
        let bits = part(1, 1024);
        compare(&bits, || bits.multi_nor::<1, 1>(), |store, key, _| store.tick_bit(key), &steps);
        let four = part(4, 16384);
        let mixed = |store: &mut Store<MultiNor<4, 4>, 16>, key: &str, n: u64| {
            if n % 50 < 25 { store.tick_bit(key) } else { store.tick(key) }
        };
        compare(&four, || four.multi_nor::<4, 4>(), mixed, &steps);
    }
}

#[test]
fn a_counter_is_a_value_of_eight_bytes() {
    let part = part(1, 4096);
    let mut store: Store<Nor<1, 1>, 16> = Store::open(part.nor(), layout(&part)).unwrap();
    assert_eq!(store.count("boots"), Ok(0));
    for n in 1..=3 {
        assert_eq!(store.tick("boots"), Ok(n));
    }
    let mut buffer = [0; 16];
    assert_eq!(store.get("boots", &mut buffer), Ok(Some(&3_u64.to_le_bytes()[..])));
    assert_eq!(store.get("boots", &mut [0; 7]), Err(Error::BufferTooSmall { needed: 8 }));
    store.for_each_key(|key, len| assert_eq!((key, len), (&b"boots"[..], 8))).unwrap();
    store.put("boots", &3_u64.to_le_bytes()).unwrap();
    assert_eq!(store.tick("boots"), Ok(4));
    store.put("name", b"harbour").unwrap();
    assert_eq!(store.tick("name"), Err(Error::NotACounter));
    assert_eq!(store.count("name"), Err(Error::NotACounter));
    assert_eq!(store.add("name", 1), Err(Error::NotACounter));
    store.put("nine", &[0; 9]).unwrap();
    assert_eq!(store.tick("nine"), Err(Error::NotACounter));
    assert_eq!(store.tick(""), Err(Error::InvalidKey));
    store.put("end", &u64::MAX.to_le_bytes()).unwrap();
    assert_eq!(store.tick("end"), Ok(u64::MAX));
    store.clear().unwrap();
    assert_eq!(store.tick("boots"), Ok(1));
}

/// A counter in a full store goes on counting, at the price of a record per tick.
#[test]
fn a_full_store_still_counts() {
    let part = part(1, 1024);
    let mut store: Store<Nor<1, 1>, 64> = Store::open(part.nor(), layout(&part)).unwrap();
    store.add("boots", 1).unwrap();
    let mut key = 0_u8;
    for len in [120, 40, 10, 1] {
        while store.put(&[key], &vec![key; len]).is_ok() {
            key += 1;
        }
    }
    for n in 2..200 {
        assert_eq!(store.tick("boots"), Ok(n));
        assert_eq!(store.count("boots"), Ok(n));
    }
}

/// Bits of a tally that were not cleared in order are damage, not a count. A single one changes
/// nothing.
#[test]
fn damaged_cells_are_reported() {
    let part = part(1, 4096);
    let mut store: Store<Nor<1, 1>, 16> = Store::open(part.nor(), layout(&part)).unwrap();
    store.tick("boots").unwrap();
    // Another record follows: without it the tally would be taken for torn.
    store.put("name", b"quay").unwrap();
    let (image, geometry) = (part.chip().image().clone(), part.chip().geometry());
    // The cells are the run of blank bytes in the record.
    let record = image.bytes().windows(5).position(|bytes| bytes == b"boots").unwrap();
    let cells = record + image.bytes()[record..].windows(8).position(|b| b == [0xFF; 8]).unwrap();
    for (damage, wrong) in [4, 9, 30].map(|at| [(at, 0xEF), (at, 0xCF), (at, 0x00)]).concat() {
        let mut bytes = image.bytes().to_vec();
        bytes[cells + damage] = wrong;
        let image = Image::from_bytes(&geometry, &bytes).unwrap();
        part.chip_mut().power_up(&image, Bias::ONES);
        let mut store: Store<Nor<1, 1>, 16> = Store::open(part.nor(), layout(&part)).unwrap();
        if wrong == 0xEF {
            assert_eq!(store.count("boots"), Ok(1));
            assert_eq!(store.tick("boots"), Ok(2));
            continue;
        }
        assert_eq!(store.count("boots"), Err(Error::Corrupt));
        assert_eq!(store.tick("boots"), Err(Error::Corrupt));
        store.put("boots", &7_u64.to_le_bytes()).unwrap();
        assert_eq!(store.tick("boots"), Ok(8));
    }
}

/// Ticks are cut in the middle, with the cell half programmed. The next power-up reports the old
/// count or the new one, the one after that reports the same, and no acknowledged tick is lost.
#[test]
fn an_interrupted_tick_is_settled() {
    let part = part(1, 1024);
    let mut least = 0;
    for round in 0..300_u64 {
        let open = || Store::<MultiNor<1, 1>, 16>::open(part.multi_nor(), layout(&part)).unwrap();
        let mut store = open();
        let up = part.chip().step_count();
        let rng = rand::SeedableRng::seed_from_u64(round);
        let level = outlast_faultsim::part::Level::F4;
        part.chip_mut().cut_randomly(up + round % 7, level, rng);
        let mut acknowledged = least;
        while let Ok(count) = store.tick_bit("boots") {
            acknowledged = count;
        }
        let image = part.chip().image().clone();
        part.chip_mut().power_up(&image, Bias::ZEROS);
        let first = open().count("boots").unwrap();
        assert!(first == acknowledged || first == acknowledged + 1, "{first} {acknowledged}");
        let image = part.chip().image().clone();
        part.chip_mut().power_up(&image, Bias::ONES);
        assert_eq!(open().count("boots").unwrap(), first);
        least = first;
    }
}

/// Bytes programmed and erases for a number of ticks.
fn cost<F: NorFlash>(
    part: &Part,
    flash: F,
    ticks: u64,
    mut tick: impl FnMut(&mut Store<F, 16>, u64),
) -> (f64, f64) {
    let mut store: Store<F, 16> = Store::open(flash, layout(part)).unwrap();
    // Other settings, so that a compaction has something to copy.
    for key in 0..10_u8 {
        store.put(&[key], &[key; 16]).unwrap();
    }
    let before = part.chip().counts();
    for n in 1..=ticks {
        tick(&mut store, n);
    }
    let after = part.chip().counts();
    let per_tick = |n: u64| n as f64 / ticks as f64;
    let bytes = per_tick(after.programmed_bytes - before.programmed_bytes);
    (bytes, per_tick(after.erases - before.erases))
}

/// At unit 1 there are at least 19 times more ticks per erase than with a record per tick. The
/// bound follows from the log bytes: 23 for a record, 152 for a tally of 129 ticks, and 152 for one
/// of 1,025 bits.
#[test]
fn ticks_cost_a_nineteenth_of_a_record() {
    const TICKS: u64 = 200_000;
    let fresh = || part(1, 4096);
    let p = fresh();
    let (_, records) = cost(&p, p.nor::<1, 1>(), TICKS / 20, |store, n| {
        store.put("boots", &n.to_le_bytes()).unwrap();
    });
    let p = fresh();
    let (units_bytes, units) = cost(&p, p.nor::<1, 1>(), TICKS, |store, _| {
        store.tick("boots").unwrap();
    });
    let p = fresh();
    let (bits_bytes, bits) = cost(&p, p.multi_nor::<1, 1>(), TICKS, |store, _| {
        store.tick_bit("boots").unwrap();
    });
    println!(
        "ticks per erase: record {:.0}, units {:.0} ({:.1} x), bits {:.0} ({:.1} x)",
        1.0 / records,
        1.0 / units,
        records / units,
        1.0 / bits,
        records / bits
    );
    println!("bytes programmed per tick: units {units_bytes:.2}, bits {bits_bytes:.2}");
    assert!(records / units >= 19.0);
    assert!(records / bits >= 150.0);
    // A tick takes a unit. With large units, a record takes no more than that.
    for (unit, sector, least) in [(4, 4096, 5.0), (8, 4096, 2.9), (32, 8192, 0.88)] {
        let ratio = match unit {
            4 => ratio::<4>(unit, sector),
            8 => ratio::<8>(unit, sector),
            _ => ratio::<32>(unit, sector),
        };
        println!("unit {unit}: {ratio:.1} x");
        assert!(ratio >= least);
    }
}

fn ratio<const UNIT: usize>(unit: u32, sector: u32) -> f64 {
    let p = part(unit, sector);
    let (_, records) = cost(&p, p.nor::<1, UNIT>(), 20_000, |store, n| {
        store.put("boots", &n.to_le_bytes()).unwrap();
    });
    let p = part(unit, sector);
    let (_, ticks) = cost(&p, p.nor::<1, UNIT>(), 60_000, |store, _| {
        store.tick("boots").unwrap();
    });
    records / ticks
}

/// A cut before the program of a tick leaves nothing of that tick.
#[test]
fn a_tick_is_one_program() {
    let part = part(1, 4096);
    let mut store: Store<Nor<1, 1>, 16> = Store::open(part.nor(), layout(&part)).unwrap();
    store.tick("boots").unwrap();
    let before = part.chip().counts();
    for _ in 0..128 {
        store.tick("boots").unwrap();
    }
    let after = part.chip().counts();
    assert_eq!(after.program_calls - before.program_calls, 128);
    assert_eq!(after.programmed_bytes - before.programmed_bytes, 128);
    part.chip_mut().cut_at(u64::MAX, Tear::NOTHING);
    assert_eq!(store.tick("boots"), Ok(130));
    // The tally is used up, and a new one is written.
    assert!(part.chip().counts().programmed_bytes - after.programmed_bytes > 20);
}

/// The images that `kvstore/tests/without_counters.rs` opens in a build without counters. To write
/// them anew: `OUTLAST_WRITE_IMAGES=1 cargo test --test store images_with_counters`.
#[test]
fn images_with_counters_are_those_of_this_format() {
    let geometry = Geometry::new(2, 512, 1, 64).unwrap();
    for (name, rests) in [("resting", true), ("interrupted", false)] {
        let part = Part::new(Chip::new(geometry));
        let mut store: Store<_, 8> = Store::open(part.nor::<1, 1>(), layout(&part)).unwrap();
        store.put("level", &[7]).unwrap();
        store.tick("boots").unwrap();
        store.tick("boots").unwrap();
        if rests {
            store.rest().unwrap();
        }
        let path = format!("{}/kvstore/tests/counters_{name}.bin", env!("CARGO_MANIFEST_DIR"));
        let image = part.chip().image().bytes().to_vec();
        if std::env::var_os("OUTLAST_WRITE_IMAGES").is_some() {
            std::fs::write(&path, &image).unwrap();
        }
        assert_eq!(std::fs::read(&path).unwrap(), image, "{path} is out of date");
    }
}
