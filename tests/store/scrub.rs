//! Scrubbing.
//!
//! Goal: a scrub writes again what has a wrong bit and nothing else, loses nothing when it is cut,
//! and says what it found. Method: images of healthy stores, with every bit of their records
//! flipped in turn, and with some bits flipped while the scrub is cut at every step.

use outlast_faultsim::part::{Bias, Chip, Geometry, Level, Nor, Part, Tear};
use outlast_kvstore::embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash,
};
use outlast_kvstore::{Change, Error, Layout, Scrubbed, Store};
use rand::SeedableRng as _;
use rand::rngs::ChaCha8Rng;

use super::whole::{Content, bytes, content, power_up};

type Device<const UNIT: usize> = Store<Nor<1, UNIT>, 32>;

const SECTOR: usize = 1024;

fn layout() -> Layout {
    Layout::serial_nor().with_sector_bytes(SECTOR as u32).with_page_bytes(64)
}

fn open<const UNIT: usize>(part: &Part) -> Device<UNIT> {
    Store::open(part.nor(), layout()).expect("open")
}

fn numbers(scrubbed: Scrubbed) -> (usize, usize, usize, bool) {
    (scrubbed.checked, scrubbed.rewritten, scrubbed.damaged, scrubbed.compacted)
}

/// A store at rest with values of several lengths, a batch, a counter that ticked in its last
/// power-up, and `puts` changes before that.
fn at_rest<const UNIT: usize>(sectors: u32, puts: usize) -> (Part, Content) {
    let page = (8 * UNIT as u32).max(64);
    let part = Part::new(Chip::new(Geometry::new(sectors, 1024, UNIT as u32, page).unwrap()));
    let mut store = open::<UNIT>(&part);
    for number in 0..puts {
        if number % 9 == 5 {
            store = open(&part);
        }
        store.put(&[b'a' + (number % 5) as u8], &[number as u8; 17]).unwrap();
    }
    store.commit(&[Change::put("north", &[1; 8]), Change::put("south", &[2; 9])]).unwrap();
    for _ in 0..5 {
        store.tick("ticks").unwrap();
    }
    store.put("long", &[3; 70]).unwrap();
    store.rest().unwrap();
    let content = content(&mut store);
    (part, content)
}

/// Nothing is programmed, so the store still rests.
#[test]
fn a_healthy_store_is_left_alone() {
    for puts in [0, 10, 60, 200] {
        let (part, known) = at_rest::<1>(4, puts);
        let mut store = open::<1>(&part);
        store.rest().unwrap();
        let before = part.chip().step_count();
        assert_eq!(numbers(store.scrub().unwrap()), (known.len(), 0, 0, false));
        assert_eq!(part.chip().step_count(), before);
        drop(store);
        let image = bytes(&part);
        assert_eq!(content(&mut open::<1>(&part)), known);
        assert_eq!(bytes(&part), image);
    }
}

/// Flips every bit of an image in turn. What was written again is not written a second time, and a
/// second wrong bit next to the first one costs nothing then.
fn every_bit<const UNIT: usize>(sectors: u32, puts: usize) {
    let (part, known) = at_rest::<UNIT>(sectors, puts);
    // The counter is closed by an open.
    drop(open::<UNIT>(&part));
    let image = bytes(&part);
    let (mut rewritten, mut compacted) = (0, 0);
    for bit in (0..8 * image.len()).step_by(3) {
        let mut flipped = image.clone();
        flipped[bit / 8] ^= 1 << (bit % 8);
        power_up(&part, &flipped);
        let mut store = open::<UNIT>(&part);
        let first = numbers(store.scrub().unwrap());
        assert_eq!((first.0, first.2), (known.len(), 0), "bit {bit}");
        assert!(first.1 <= 1, "bit {bit}");
        rewritten += first.1;
        compacted += usize::from(first.3);
        assert_eq!(content(&mut store), known, "bit {bit}");
        for _ in 0..sectors {
            if !store.scrub().unwrap().compacted {
                break;
            }
        }
        assert_eq!(numbers(store.scrub().unwrap()), (known.len(), 0, 0, false), "bit {bit}");
        assert_eq!(content(&mut store), known, "bit {bit}");
        drop(store);
        assert_eq!(part.chip().violations(), []);
        if first.1 == 1 && !first.3 {
            let mut twice = bytes(&part);
            twice[bit / 8] ^= 1 << ((bit + 3) % 8);
            power_up(&part, &twice);
            let mut store = open::<UNIT>(&part);
            let now = content(&mut store);
            // The other record of a batch is lost with this one, and in doubt.
            for (key, value) in &known {
                let in_doubt = key.ends_with(b"th") && store.is_doubtful(key) == Ok(true);
                assert!(now.get(key) == Some(value) || in_doubt, "bit {bit}");
            }
        }
    }
    assert!(rewritten > 100 && compacted > 10, "{rewritten} and {compacted}");
}

#[test]
fn what_has_a_wrong_bit_is_written_again() {
    every_bit::<1>(4, 60);
    every_bit::<1>(2, 25);
    every_bit::<8>(3, 30);
}

/// Wrong bits in several records, in a store as full as it gets, whose head has no room.
#[test]
fn a_full_store_is_scrubbed_too() {
    for (sectors, len) in [(2, 60), (3, 100), (4, 17), (5, 250)] {
        let geometry = Geometry::new(sectors, SECTOR as u32, 1, 64).unwrap();
        let part = Part::new(Chip::new(geometry));
        let mut store: Store<Nor<1, 1>, 200> = Store::open(part.nor(), layout()).unwrap();
        let mut keys = 0_u8;
        while store.put(&[keys], &vec![keys; len]).is_ok() {
            keys += 1;
        }
        // Overwriting still works, and fills the head.
        for key in 0..keys {
            store.put(&[key], &vec![key ^ 0x55; len]).unwrap();
        }
        drop(store);
        let mut flipped = bytes(&part);
        let mut places = Vec::new();
        for key in (0..keys).step_by(3) {
            let wanted = [key ^ 0x55; 12];
            let found: Vec<usize> =
                (0..flipped.len() - 12).filter(|at| flipped[*at..at + 12] == wanted[..]).collect();
            places.extend(found.iter().step_by(len).copied());
        }
        for at in &places {
            flipped[at + 5] ^= 2;
        }
        power_up(&part, &flipped);
        let mut store: Store<Nor<1, 1>, 200> = Store::open(part.nor(), layout()).unwrap();
        let scrubbed = store.scrub().unwrap();
        assert_eq!((scrubbed.checked, scrubbed.damaged), (usize::from(keys), 0));
        assert!(scrubbed.rewritten > 0, "{sectors} sectors");
        assert_eq!(store.scrub().unwrap().rewritten, 0, "{sectors} sectors");
        for key in 0..keys {
            let wanted = vec![key ^ 0x55; len];
            assert_eq!(store.get(&[key], &mut [0; 300]), Ok(Some(&wanted[..])));
        }
        assert_eq!(part.chip().violations(), []);
    }
}

/// The scrub is cut at each of its steps: with all and with none of the step's effect, and with some
/// of it.
#[test]
fn a_scrub_may_be_cut_anywhere() {
    for puts in [8, 60, 73] {
        let (part, known) = at_rest::<1>(3, puts);
        drop(open::<1>(&part));
        let mut image = bytes(&part);
        // Wrong bits in the values of three records and in a settle record's page.
        for value in [[1; 8], [2; 8], [3; 8]] {
            // A page start may divide the value.
            let at = image.windows(4).rposition(|bytes| value.starts_with(bytes)).expect("a value");
            image[at + 3] ^= 0x40;
        }
        let mut cuts = 0;
        for seed in 0..12 {
            for at in 0.. {
                power_up(&part, &image);
                let mut store = open::<1>(&part);
                let so_far = part.chip().step_count();
                match seed {
                    0 => part.chip_mut().cut_at(so_far + at, Tear::NOTHING),
                    1 => part.chip_mut().cut_at(so_far + at, Tear::EVERYTHING),
                    _ => {
                        let random = ChaCha8Rng::seed_from_u64(seed);
                        part.chip_mut().cut_randomly(so_far + at, Level::F4, random);
                    }
                }
                let scrubbed = store.scrub();
                drop(store);
                if let Ok(scrubbed) = scrubbed {
                    assert!(scrubbed.rewritten > 0);
                    break;
                }
                cuts += 1;
                let left = part.chip().image().clone();
                part.chip_mut().power_up(&left, Bias::seeded(seed));
                let mut store = open::<1>(&part);
                assert_eq!(content(&mut store), known, "{puts} puts, cut at {at}, {seed}");
                assert_eq!(store.scrub().unwrap().damaged, 0);
                assert_eq!(content(&mut store), known, "{puts} puts, cut at {at}");
                assert_eq!(part.chip().violations(), []);
            }
        }
        assert!(cuts >= 40, "{cuts}");
    }
}

/// What cannot be read is counted, and stays as it is.
#[test]
fn damage_is_counted_and_left_alone() {
    let (part, known) = at_rest::<1>(4, 10);
    drop(open::<1>(&part));
    let mut store = open::<1>(&part);
    let mut image = bytes(&part);
    let at = image.windows(8).rposition(|bytes| bytes == [1; 8]).expect("a value");
    image[at + 3] ^= 0x41;
    power_up(&part, &image);
    let scrubbed = store.scrub().unwrap();
    assert_eq!(numbers(scrubbed), (known.len(), 0, 1, false));
    assert_eq!(bytes(&part), image);
    assert_eq!(store.get("north", &mut [0; 8]), Err(Error::Corrupt));
    assert_eq!(store.get("south", &mut [0; 9]), Ok(Some(&[2; 9][..])));
}

/// A tally with a wrong bit in its name becomes a plain count, and ticks on.
#[test]
fn a_counter_is_scrubbed() {
    let (part, known) = at_rest::<1>(4, 10);
    let mut store = open::<1>(&part);
    assert_eq!(store.tick("ticks"), Ok(6));
    assert_eq!(store.tick("ticks"), Ok(7));
    let mut image = bytes(&part);
    let at = image.windows(5).rposition(|bytes| bytes == b"ticks").expect("a tally");
    image[at + 1] ^= 0x40;
    power_up(&part, &image);
    assert_eq!(numbers(store.scrub().unwrap()), (known.len(), 1, 0, false));
    assert_eq!(store.count("ticks"), Ok(7));
    assert_eq!(store.tick("ticks"), Ok(8));
    assert_eq!(open::<1>(&part).count("ticks"), Ok(8));
}

/// A part with one sector that takes no erase and no program any more.
struct Worn(Nor<1, 1>, u32);

impl ErrorType for Worn {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for Worn {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        self.0.read(offset, bytes).map_err(|_| NorFlashErrorKind::Other)
    }

    fn capacity(&self) -> usize {
        self.0.capacity()
    }
}

impl NorFlash for Worn {
    const WRITE_SIZE: usize = 1;
    const ERASE_SIZE: usize = SECTOR;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        if from / SECTOR as u32 == self.1 {
            return Err(NorFlashErrorKind::Other);
        }
        self.0.erase(from, to).map_err(|_| NorFlashErrorKind::Other)
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        if offset / SECTOR as u32 == self.1 {
            return Err(NorFlashErrorKind::Other);
        }
        self.0.write(offset, bytes).map_err(|_| NorFlashErrorKind::Other)
    }
}

/// A sector that is passed over is no reason to compact, wherever the log stands. A wrong bit in a
/// record is still written again.
#[test]
fn a_worn_sector_is_no_wrong_bit() {
    let part = Part::new(Chip::new(Geometry::new(4, SECTOR as u32, 1, 64).unwrap()));
    let mut store: Device<1> = open(&part);
    for key in 0..5 {
        store.put(&[key], &[0; 17]).unwrap();
    }
    drop(store);
    let mut store: Store<Worn, 32> = Store::open(Worn(part.nor(), 2), layout()).unwrap();
    let mut rewritten = 0;
    for round in 1..200_u8 {
        let key = round % 5;
        store.put(&[key], &[round; 17]).unwrap();
        assert_eq!(numbers(store.scrub().unwrap()), (5, 0, 0, false), "round {round}");
        if round % 7 == 0 {
            let mut image = bytes(&part);
            let at = image.windows(17).rposition(|bytes| bytes == [round; 17]);
            let Some(at) = at else { continue };
            image[at + 4] ^= 0x20;
            power_up(&part, &image);
            let scrubbed = store.scrub().unwrap();
            assert_eq!((scrubbed.checked, scrubbed.damaged), (5, 0), "round {round}");
            rewritten += scrubbed.rewritten;
        }
        assert_eq!(store.get(&[key], &mut [0; 17]), Ok(Some(&[round; 17][..])));
    }
    assert!(rewritten > 10, "{rewritten}");
    assert!(store.usage().compactions > 8);
}
