//! What the store says about wrong bits.
//!
//! Goal: a wrong bit is counted once, however often it is read; and where a newer value may have
//! been lost, every call that returns the older one can say so. Method: a settled image in which
//! bits of known records are flipped.

use outlast_faultsim::part::{Chip, Geometry, Nor, Part, Step, Tear};
use outlast_kvstore::settings::{Setting, Source, Why};
use outlast_kvstore::{Error, Ids, Layout, Store, View};

use super::whole::{bytes, power_up};

type Device = Store<Nor<1, 1>, 16>;
type Window = View<Nor<1, 1>, 16>;

const SECTOR: usize = 1024;
const CHANNEL: Setting<u8> = Setting::new("channel", || 11);
const HEIGHT: Setting<i16> = Setting::new("height", || -50);

fn layout() -> Layout {
    Layout::serial_nor().with_sector_bytes(SECTOR as u32).with_page_bytes(256)
}

fn part() -> Part {
    part_of(4)
}

fn part_of(sectors: u32) -> Part {
    Part::new(Chip::new(Geometry::new(sectors, SECTOR as u32, 1, 256).unwrap()))
}

fn open(part: &Part) -> Device {
    Store::open(part.nor(), layout()).unwrap()
}

fn view(part: &Part) -> Window {
    View::open(part.nor(), layout()).unwrap()
}

/// Where the bytes of a record's content stand, the last time that they are there.
fn find(image: &[u8], content: &[u8]) -> usize {
    image.windows(content.len()).rposition(|bytes| bytes == content).expect("a record in one page")
}

/// An image of three keys at rest, each in one record.
fn image_at_rest(part: &Part) -> Vec<u8> {
    let mut store = open(part);
    for (key, value) in [("alpha", [1; 20]), ("beta", [2; 20]), ("gamma", [3; 20])] {
        store.put(key, &value).unwrap();
    }
    store.rest().unwrap();
    drop(store);
    bytes(part)
}

fn read_all(view: &mut Window) {
    for _ in 0..4 {
        for (key, value) in [("alpha", [1; 20]), ("gamma", [3; 20]), ("beta", [2; 20])] {
            assert_eq!(view.get(key, &mut [0; 40]), Ok(Some(&value[..])));
        }
    }
}

/// Each bit of each record in turn, header and trailer included.
#[test]
fn a_wrong_bit_is_counted_once() {
    let part = part();
    let image = image_at_rest(&part);
    power_up(&part, &image);
    assert_eq!(view(&part).usage().repaired_records, 0);
    for (key, value) in [("alpha", [1; 20]), ("beta", [2; 20]), ("gamma", [3; 20])] {
        let at = find(&image, &[key.as_bytes(), &value].concat());
        for bit in 8 * (at - 4)..8 * (at + key.len() + 20 + 6) {
            let mut bytes = image.clone();
            bytes[bit / 8] ^= 1 << (bit % 8);
            power_up(&part, &bytes);
            let mut view = view(&part);
            read_all(&mut view);
            let usage = view.usage();
            let counts = (usage.repaired_records, usage.damaged_records, usage.doubtful);
            assert_eq!(counts, (1, 0, 0), "{key}, bit {bit}");
            let store = open(&part);
            assert_eq!(store.usage().repaired_records, 1, "{key}, bit {bit}");
        }
    }
}

/// Wrong bits in several records, which are read in turns.
#[test]
fn wrong_bits_of_several_records_are_counted_once_each() {
    let part = part();
    let image = image_at_rest(&part);
    let mut bytes = image.clone();
    for (number, key) in [(1, "alpha"), (2, "beta"), (3, "gamma")] {
        bytes[find(&image, key.as_bytes()) + 8] ^= 0x10;
        power_up(&part, &bytes);
        let mut view = view(&part);
        read_all(&mut view);
        assert_eq!(view.usage().repaired_records, number);
        // Another mount of the same store counts afresh.
        let mut store = open(&part);
        store.mount().unwrap();
        assert_eq!(store.usage().repaired_records, number);
    }
}

/// A device with a counter, a source of numbers and settings; then a record that is lost, and one
/// after it. With the next power-up, two bits in the header of the lost record are wrong.
fn part_with_a_gap() -> Part {
    let part = part();
    let mut store = open(&part);
    CHANNEL.save(&mut store, &15).unwrap();
    store.add("ticks", 3).unwrap();
    let mut ids: Ids<8> = Ids::open(&mut store, "ids").unwrap();
    ids.next(&mut store).unwrap();
    store.put("victim", &[5; 20]).unwrap();
    store.put("newer", &[6; 20]).unwrap();
    store.put("newest", &[7; 20]).unwrap();
    store.rest().unwrap();
    drop(store);
    let mut bytes = bytes(&part);
    let at = find(&bytes, b"victim\x05\x05");
    bytes[at - 4] ^= 0x42;
    bytes[at - 2] ^= 0x18;
    power_up(&part, &bytes);
    part
}

#[test]
fn what_may_be_older_is_in_doubt() {
    let part = part_with_a_gap();
    let mut view = view(&part);
    let usage = view.usage();
    assert_eq!((usage.keys, usage.doubtful, usage.doubtful_absent), (5, 3, true));
    for (key, doubtful) in [
        ("channel", true),
        ("ticks", true),
        ("ids", true),
        ("newer", false),
        ("newest", false),
        ("victim", true),
        ("never", true),
    ] {
        assert_eq!(view.is_doubtful(key), Ok(doubtful), "{key}");
    }
    assert_eq!(view.is_doubtful(""), Err(Error::InvalidKey));
    let mut doubtful = 0;
    let end: Option<()> = view
        .for_each_value(&mut [0; 40], |item| {
            doubtful += usize::from(item.doubtful);
            std::ops::ControlFlow::Continue(())
        })
        .unwrap();
    assert_eq!((end, doubtful), (None, 3));
    let loaded = CHANNEL.load(&mut view).unwrap();
    assert_eq!((loaded.value, loaded.source, loaded.doubtful), (15, Source::Stored, true));
    let loaded = HEIGHT.load(&mut view).unwrap();
    assert_eq!((loaded.value, loaded.source, loaded.doubtful), (-50, Source::Default, true));
}

/// Saving ends the doubt about a setting, even if it saves what is stored.
#[test]
fn what_is_written_is_in_doubt_no_longer() {
    let part = part_with_a_gap();
    let mut store = open(&part);
    assert!(CHANNEL.load(&mut store).unwrap().doubtful);
    CHANNEL.save(&mut store, &15).unwrap();
    HEIGHT.save(&mut store, &4).unwrap();
    assert_eq!(store.usage().doubtful, 2);
    let programs = part.chip().step_count();
    CHANNEL.save(&mut store, &15).unwrap();
    assert_eq!(part.chip().step_count(), programs);
    for mut store in [store, open(&part)] {
        let loaded = CHANNEL.load(&mut store).unwrap();
        assert_eq!((loaded.value, loaded.source, loaded.doubtful), (15, Source::Stored, false));
        let loaded = HEIGHT.load(&mut store).unwrap();
        assert_eq!((loaded.value, loaded.source, loaded.doubtful), (4, Source::Stored, false));
        assert_eq!(store.is_doubtful("ticks"), Ok(true));
    }
}

/// A source of numbers that may have lost a reservation gives out none, until it is told where to
/// go on.
#[test]
fn numbers_in_doubt_are_not_given_out() {
    let part = part_with_a_gap();
    let mut store = open(&part);
    assert_eq!(Ids::<8>::open(&mut store, "ids").err(), Some(Error::Corrupt));
    assert_eq!(Ids::<8>::open(&mut store, "other").err(), Some(Error::Corrupt));
    store.put("ids", &1000_u64.to_le_bytes()).unwrap();
    let mut ids: Ids<8> = Ids::open(&mut store, "ids").unwrap();
    assert_eq!(ids.next(&mut store), Ok(1000));
}

/// A damaged value is an error for those who ask for it, and the default for those who must start.
#[test]
fn a_damaged_setting_is_no_default() {
    let part = part();
    let mut store = open(&part);
    CHANNEL.save(&mut store, &14).unwrap();
    CHANNEL.save(&mut store, &15).unwrap();
    store.put("newer", &[6; 20]).unwrap();
    store.rest().unwrap();
    drop(store);
    let mut bytes = bytes(&part);
    let at = find(&bytes, b"channel");
    bytes[at + 8] ^= 0x42;
    power_up(&part, &bytes);
    let mut view = view(&part);
    let error = CHANNEL.load(&mut view).unwrap_err();
    assert_eq!(error.why, Why::Store(Error::Corrupt));
    let (loaded, error) = CHANNEL.load_or_default(&mut view);
    assert_eq!((loaded.value, loaded.source), (11, Source::Damaged));
    assert_eq!(error.map(|error| error.why), Some(Why::Store(Error::Corrupt)));
    let (loaded, error) = HEIGHT.load_or_default(&mut view);
    assert_eq!((loaded.value, loaded.source, error), (-50, Source::Default, None));
}

/// 1. A mount settles: its settle record stands in the next page, and carries the last record.
/// 2. In the same page, "b" is put anew, and then "c".
/// 3. Two bits of the settle record are wrong, and neither is in its header.
///
/// The damage makes the log end before the settle record, unless the search for later records goes
/// on after it in this page. It must not leave out the whole page.
#[test]
fn what_follows_a_damaged_settle_record_counts() {
    let part = part();
    let mut store = open(&part);
    store.put("a", b"1").unwrap();
    store.put("b", b"old").unwrap();
    drop(store);
    let mut store = open(&part);
    store.put("b", b"new").unwrap();
    store.put("c", b"acknowledged").unwrap();
    store.rest().unwrap();
    drop(store);
    let mut image = bytes(&part);
    // The last page whose tag is not blank. Bits 0 to 2 of a header are the kind.
    let page = (256..SECTOR).step_by(256).rfind(|at| image[*at] == 0).expect("a settle record");
    let settle = page + 1;
    assert_eq!(image[settle] & 7, 6);
    assert_eq!(find(&image, b"bold"), settle + 12);
    assert_eq!(find(&image, b"bnew") / 256, page / 256);
    for (first, second) in [(4, 7), (5, 9), (9, 12), (13, 15)] {
        image[settle + first] ^= 1;
        image[settle + second] ^= 1;
        let bits = format!("bits in {first} and {second}");
        power_up(&part, &image);
        let mut view = view(&part);
        assert_eq!(view.get("b", &mut [0; 20]), Ok(Some(&b"new"[..])), "{bits}");
        assert_eq!(view.usage().damaged_records, 1, "{bits}");
        let mut store = open(&part);
        assert_eq!(store.get("b", &mut [0; 20]), Ok(Some(&b"new"[..])), "{bits}");
        assert_eq!(store.get("c", &mut [0; 20]), Ok(Some(&b"acknowledged"[..])), "{bits}");
        image[settle + first] ^= 1;
        image[settle + second] ^= 1;
    }
}

/// 1. A store of two sectors has compacted. Now the last record of its head is the seal of that.
/// 2. The erase in advance that follows is cut when it is complete. With the other sector, the
///    decision about the head is gone, so that only the seal makes it the head.
/// 3. One bit of the seal is wrong.
///
/// A seal comes last and so looks like a suspect, but it is begun only after everything before it
/// was proven. If the wrong bit is not corrected, the region holds no store any more.
#[test]
fn a_wrong_bit_in_a_seal_costs_no_head() {
    let part = part_of(2);
    let mut store = open(&part);
    store.put("x", b"value").unwrap();
    for number in 0..2 {
        store.put("large", &[number; 500]).unwrap();
    }
    // Two compactions with the same steps.
    part.chip_mut().record_steps(true);
    store.put("large", &[2; 500]).unwrap();
    let steps = part.chip_mut().take_steps();
    let is_erase = |step: &Step| matches!(step, Step::Erase { .. });
    let erase = steps.iter().position(is_erase).expect("an erase in advance");
    let so_far = part.chip().step_count();
    part.chip_mut().cut_at(so_far + erase as u64, Tear::EVERYTHING);
    assert!(store.put("large", &[3; 500]).is_err());
    drop(store);
    let Some(Step::Program { at, data }) = part.chip_mut().take_steps().get(erase - 1).cloned()
    else {
        panic!("no program comes before the erase")
    };
    assert_eq!((data.len(), data[0] & 7), (10, 7), "no seal comes before the erase");
    let seal = at as usize;
    let other = 1 - at / SECTOR as u32;
    let torn = part.chip().torn_step().map(|(step, _)| step.clone());
    assert_eq!(torn, Some(Step::Erase { sector: other }));
    let image = bytes(&part);
    let blank = &image[other as usize * SECTOR..][..SECTOR];
    assert_eq!(blank, [0xFF; SECTOR]);
    for bit in 8 * seal..8 * (seal + 10) {
        let mut flipped = image.clone();
        flipped[bit / 8] ^= 1 << (bit % 8);
        power_up(&part, &flipped);
        let mut store = open(&part);
        assert_eq!(store.get("x", &mut [0; 20]), Ok(Some(&b"value"[..])), "bit {bit}");
        assert_eq!(store.get("large", &mut [0; 500]), Ok(Some(&[3; 500][..])), "bit {bit}");
    }
}

/// 1. A setting is put twice, and the power-up ends.
/// 2. Each of the two records has one wrong bit.
///
/// The mount copies the newer one into its settle record. That can correct only one record at a
/// time, and the bit of the older one was found last. It must look for the newer one's again, or
/// that is dropped, and the old value comes back.
#[test]
fn wrong_bits_in_the_last_two_records_cost_neither() {
    for sectors in [2, 3, 4] {
        let part = Part::new(Chip::new(Geometry::new(sectors, 4096, 1, 256).unwrap()));
        let open = || -> Device {
            let layout = Layout::serial_nor().with_sector_bytes(4096).with_page_bytes(256);
            Store::open(part.nor(), layout).unwrap()
        };
        let mut store = open();
        store.put("key", b"old old old").unwrap();
        store.put("key", b"new new new").unwrap();
        drop(store);
        let mut image = bytes(&part);
        for value in [b"old old", b"new new"] {
            let at = find(&image, value);
            image[at + 2] ^= 4;
        }
        power_up(&part, &image);
        let mut store = open();
        assert_eq!(store.get("key", &mut [0; 20]), Ok(Some(&b"new new new"[..])), "{sectors}");
        assert_eq!(store.usage().repaired_records, 2, "{sectors}");
    }
}
