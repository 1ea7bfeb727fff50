//! Marks, what changed since, and reserved numbers.
//!
//! Goal: no change since a mark is ever missed, and no reserved number is given out twice. Method:
//! a copy that is brought up to date only by what the store names must equal the store, over random
//! changes, power cuts and compactions.

use std::collections::{BTreeMap, BTreeSet};

use outlast_faultsim::part::{Bias, Chip, Geometry, Level, Nor, Part};
use outlast_kvstore::{ChangeMark, Error, Ids, Layout, Store};
use proptest::prelude::*;
use rand::SeedableRng;

type Small = Store<Nor<1, 1>, 32>;

fn part() -> Part {
    Part::new(Chip::new(Geometry::new(3, 1024, 1, 256).unwrap()))
}

fn open(part: &Part) -> Small {
    let image = part.chip().image().clone();
    part.chip_mut().power_up(&image, Bias::ONES);
    Store::open(part.nor(), Layout::serial_nor().with_sector_bytes(1024)).unwrap()
}

fn changed(store: &mut Small, mark: ChangeMark) -> BTreeSet<Vec<u8>> {
    let mut names = BTreeSet::new();
    store.for_each_changed_since(&mark, |key, _| assert!(names.insert(key.to_vec()))).unwrap();
    names
}

fn content(store: &mut Small) -> BTreeMap<Vec<u8>, Vec<u8>> {
    let mut names = Vec::new();
    store.for_each_key(|key, _| names.push(key.to_vec())).unwrap();
    let mut value = [0; 64];
    let read = |name: Vec<u8>| {
        let value = store.get(&name, &mut value).unwrap().unwrap().to_vec();
        (name, value)
    };
    names.into_iter().map(read).collect()
}

#[derive(Clone, Debug)]
enum Step {
    Put(u8, u8),
    Tick(u8),
    Delete(u8),
    Clear,
    Upload,
    Reopen,
    Cut(u64),
}

fn any_step() -> impl Strategy<Value = Step> {
    prop_oneof![
        10 => (0..10_u8, any::<u8>()).prop_map(|(key, value)| Step::Put(key, value)),
        4 => (20..22_u8).prop_map(Step::Tick),
        2 => (0..10_u8).prop_map(Step::Delete),
        1 => Just(Step::Clear),
        4 => Just(Step::Upload),
        2 => Just(Step::Reopen),
        2 => (0..4_u64).prop_map(Step::Cut),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// A copy is kept from the changes and the digest of the names in each upload, and from the
    /// list of names only if the digest differs. Every time it equals the content of the store.
    #[test]
    fn a_copy_kept_by_changes_is_exact(steps in proptest::collection::vec(any_step(), 1..80)) {
        let part = part();
        let mut store = open(&part);
        let mut copy = BTreeMap::new();
        let mut mark = ChangeMark::START;
        for (number, step) in steps.iter().enumerate() {
            match *step {
                Step::Put(key, value) => {
                    store.put(&[key], &vec![value; usize::from(value % 40)]).unwrap();
                }
                Step::Tick(key) => {
                    store.tick(&[key]).unwrap();
                }
                Step::Delete(key) => {
                    store.delete(&[key]).unwrap();
                }
                Step::Clear => store.clear().unwrap(),
                Step::Reopen => store = open(&part),
                Step::Cut(after) => {
                    let now = part.chip().step_count();
                    let rng = SeedableRng::seed_from_u64(number as u64);
                    part.chip_mut().cut_randomly(now + after, Level::F4, rng);
                    while store.put("cut", &[number as u8]).is_ok()
                        && store.put("cut", &[!number as u8]).is_ok()
                    {}
                    store = open(&part);
                }
                Step::Upload => {
                    let next = ChangeMark::from_bytes(store.mark().to_bytes());
                    let mut value = [0; 64];
                    for name in changed(&mut store, mark) {
                        let value = store.get(&name, &mut value).unwrap().unwrap().to_vec();
                        copy.insert(name, value);
                    }
                    let sum = |names: &mut dyn Iterator<Item = &Vec<u8>>| {
                        names.fold(0_u32, |sum, name| sum.wrapping_add(crc32c(name)))
                    };
                    if sum(&mut copy.keys()) != store.keys_digest() {
                        let mut names = BTreeSet::new();
                        store.for_each_key(|name, _| { names.insert(name.to_vec()); }).unwrap();
                        copy.retain(|name, _| names.contains(name));
                    }
                    prop_assert_eq!(&copy, &content(&mut store));
                    mark = next;
                }
            }
        }
    }
}

/// CRC-32C bit by bit, as RFC 3720 defines it (reflected polynomial 0x82F63B78).
fn crc32c(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0_u32, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| (crc >> 1) ^ (0x82F6_3B78 * (crc & 1)))
    })
}

#[test]
fn few_changes_are_few() {
    let part = part();
    let mut store = open(&part);
    for key in 0..20_u8 {
        store.put(&[key], &[key]).unwrap();
    }
    let mark = store.mark();
    assert!(changed(&mut store, mark).is_empty());
    store.put(&[7], &[1]).unwrap();
    // Storing the same value again changes nothing.
    store.put(&[8], &[8]).unwrap();
    store.delete(&[9]).unwrap();
    assert_eq!(changed(&mut store, mark), BTreeSet::from([vec![7]]));
    assert_ne!(store.mark(), mark);
    let mut store = open(&part);
    assert!(changed(&mut store, mark).contains(&vec![7]));
    store.clear().unwrap();
    store.put(&[3], &[3]).unwrap();
    assert_eq!(changed(&mut store, mark), BTreeSet::from([vec![3]]));
}

/// No number is given out twice, over power cuts at any step, and few records are written.
#[test]
fn reserved_numbers_are_given_out_once() {
    let part = part();
    let mut next = 0;
    for round in 0..200 {
        let mut store = open(&part);
        let mut ids = Ids::<16>::open(&mut store, "message").unwrap();
        let now = part.chip().step_count();
        let rng = SeedableRng::seed_from_u64(round);
        part.chip_mut().cut_randomly(now + round % 5, Level::F4, rng);
        let mut given = 0;
        while let Ok(number) = ids.next(&mut store) {
            assert!(number >= next, "{number} again");
            next = number + 1;
            given += 1;
            if given == 50 {
                break;
            }
        }
        assert!(given == 50 || part.chip().is_off());
    }
    let mut store = open(&part);
    let mut ids = Ids::<1000>::open(&mut store, "message").unwrap();
    // The first change of a power-up also programs the flag of the rest record.
    store.put("awake", b"").unwrap();
    let before = part.chip().counts().program_calls;
    for _ in 0..1000 {
        ids.next(&mut store).unwrap();
    }
    assert_eq!(part.chip().counts().program_calls - before, 1);
}

#[test]
fn numbers_end_before_they_repeat() {
    let mut store = open(&part());
    store.put("message", &(u64::MAX - 20).to_le_bytes()).unwrap();
    let mut ids = Ids::<16>::open(&mut store, "message").unwrap();
    for n in u64::MAX - 20..u64::MAX - 4 {
        assert_eq!(ids.next(&mut store), Ok(n));
    }
    assert_eq!(ids.next(&mut store), Err(Error::Full));
    assert_eq!(ids.next(&mut store), Err(Error::Full));
}

/// A chip that was blanked or formatted over damage holds a new store, earlier in its life than the
/// mark.
#[test]
fn a_mark_from_later_than_now_names_everything() {
    let old = part();
    let mut store = open(&old);
    for number in 0..100 {
        store.put("level", &[number; 40]).unwrap();
    }
    let mark = store.mark();
    let new = part();
    let mut store = open(&new);
    store.put("level", &[1]).unwrap();
    store.put("datum", &[2]).unwrap();
    assert_eq!(changed(&mut store, mark).len(), 2);
}
