//! Flash with an error-correcting code, where reading what an interrupted operation left may fail.
//!
//! Goal: such a unit is a damaged record, never a failed open, and never an acknowledged change
//! lost. Method: a part that refuses reads of chosen units, in logs made for the purpose, in every
//! unit of a log in turn, and in random lives with cuts.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

use outlast_faultsim::part::{Bias, Chip, Geometry, Level, Marginal, Nor, Part, PartError};
use outlast_kvstore::embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash,
};
use outlast_kvstore::embedded_storage::{ReadStorage as _, Storage as _};
use outlast_kvstore::{Change, Error, Layout, Region, RegionError, Store};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng};

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Failure {
    /// The check over this unit fails.
    Unreadable(u32),
    Part(PartError),
}

impl NorFlashError for Failure {
    fn kind(&self) -> NorFlashErrorKind {
        NorFlashErrorKind::Other
    }
}

/// Numbers of the units that cannot be read.
#[derive(Default)]
struct Bad {
    units: BTreeSet<u32>,
    /// With this they fail at random, without it always.
    flicker: Option<ChaCha8Rng>,
    failed: u64,
    /// After this many more reads the flash reads nothing at all.
    reads_left: Option<u32>,
}

/// A part that refuses reads of bad units. A program or an erase of a unit makes it good.
struct Ecc<const UNIT: usize> {
    part: Part,
    bad: Rc<RefCell<Bad>>,
}

impl<const UNIT: usize> Ecc<UNIT> {
    fn nor(&self) -> Nor<1, UNIT> {
        self.part.nor()
    }

    fn make_readable(&self, from: u32, to: u32) {
        let unit = UNIT as u32;
        self.bad.borrow_mut().units.retain(|bad| !(from / unit..to / unit).contains(bad));
    }
}

impl<const UNIT: usize> ErrorType for Ecc<UNIT> {
    type Error = Failure;
}

impl<const UNIT: usize> ReadNorFlash for Ecc<UNIT> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Failure> {
        let unit = UNIT as u32;
        let units = offset / unit..(offset + bytes.len() as u32).div_ceil(unit);
        let mut bad = self.bad.borrow_mut();
        let Bad { units: set, flicker, failed, reads_left } = &mut *bad;
        match reads_left {
            Some(0) => return Err(Failure::Unreadable(units.start)),
            Some(n) => *n -= 1,
            None => {}
        }
        for unit in set.range(units) {
            if flicker.as_mut().is_none_or(|rng| rng.random_bool(0.5)) {
                *failed += 1;
                return Err(Failure::Unreadable(*unit));
            }
        }
        self.nor().read(offset, bytes).map_err(Failure::Part)
    }

    fn capacity(&self) -> usize {
        self.nor().capacity()
    }
}

impl<const UNIT: usize> NorFlash for Ecc<UNIT> {
    const WRITE_SIZE: usize = UNIT;
    const ERASE_SIZE: usize = 512;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Failure> {
        self.nor().erase(from, to).map_err(Failure::Part)?;
        self.make_readable(from, to);
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Failure> {
        self.nor().write(offset, bytes).map_err(Failure::Part)?;
        self.make_readable(offset, offset + bytes.len() as u32);
        Ok(())
    }
}

/// A device whose flash can be made unreadable in places.
struct Device<const UNIT: usize> {
    part: Part,
    bad: Rc<RefCell<Bad>>,
}

type Settings<const UNIT: usize> = Store<Ecc<UNIT>, 16>;
type Content = BTreeMap<Vec<u8>, Vec<u8>>;

const SECTOR: u32 = 1024;

impl<const UNIT: usize> Device<UNIT> {
    fn new(page: u32) -> Self {
        Self::with_sectors(page, SECTOR)
    }

    fn with_sectors(page: u32, sector_bytes: u32) -> Self {
        let geometry = Geometry::new(3, sector_bytes, UNIT as u32, page).unwrap();
        Self { part: Part::new(Chip::new(geometry)), bad: Rc::default() }
    }

    /// Switches the power off and on, and opens the store.
    fn open(&self, bias: Bias) -> Result<Settings<UNIT>, Error<Failure>> {
        let image = self.part.chip().image().clone();
        self.part.chip_mut().power_up(&image, bias);
        self.open_again()
    }

    fn open_again(&self) -> Result<Settings<UNIT>, Error<Failure>> {
        let flash = Ecc { part: self.part.clone(), bad: Rc::clone(&self.bad) };
        let Geometry { sector_bytes, page, .. } = self.part.chip().geometry();
        let layout = Layout::serial_nor().with_sector_bytes(sector_bytes);
        Store::open(flash, layout.with_page_bytes(page))
    }

    fn bytes(&self) -> Vec<u8> {
        self.part.chip().image().bytes().to_vec()
    }

    fn make_unreadable(&self, address: usize) {
        self.bad.borrow_mut().units.insert((address / UNIT) as u32);
    }

    fn make_readable(&self) {
        *self.bad.borrow_mut() = Bad::default();
    }

    /// What a cut may have made unreadable: some units of the step it fell into.
    fn make_torn_units_unreadable(&self, rng: &mut ChaCha8Rng) {
        let chip = self.part.chip();
        let Some((step, _)) = chip.torn_step() else { return };
        let range = step.range(&chip.geometry());
        let mut bad = self.bad.borrow_mut();
        let share = [0.0, 0.1, 0.5, 1.0][rng.random_range(0..4_usize)];
        for unit in range.start / UNIT as u32..range.end / UNIT as u32 {
            let (from, to) = (unit as usize * UNIT, (unit as usize + 1) * UNIT);
            // Zeros over zeros change nothing.
            let weak = |place: &Marginal| (from..to).contains(&(place.at as usize));
            let is_zero = chip.image().bytes()[from..to].iter().all(|byte| *byte == 0);
            if is_zero && !chip.image().marginal().iter().any(weak) {
                continue;
            }
            if rng.random_bool(share) {
                bad.units.insert(unit);
            }
        }
        bad.flicker = rng.random_bool(0.5).then(|| ChaCha8Rng::seed_from_u64(rng.random()));
    }
}

fn find(bytes: &[u8], what: &[u8]) -> usize {
    bytes.windows(what.len()).rposition(|window| window == what).unwrap()
}

/// A device with a counter that was set to 100 and has ticked `ticks` times, and the place of its
/// tally's key. With `follows` another record follows the tally.
fn with_counter<const UNIT: usize>(ticks: u64, follows: bool) -> (Device<UNIT>, usize) {
    let device = Device::new(256);
    let mut store = device.open(Bias::ONES).unwrap();
    store.put("name", b"quay").unwrap();
    store.put("boots", &100_u64.to_le_bytes()).unwrap();
    for n in 1..=ticks {
        assert_eq!(store.tick("boots"), Ok(100 + n));
    }
    if follows {
        store.put("other", b"pier").unwrap();
    }
    let key = find(&device.bytes(), b"boots");
    (device, key)
}

/// Bytes of key and value of a tally before its cells.
const BEFORE_CELLS: usize = 5 + 9;

/// The unit under an interrupted tick fails to read. The count is one of the two it may be, and
/// later opens agree; whether or not the tally is the last record.
fn interrupted_tick<const UNIT: usize>() {
    for (ticks, follows) in [(2, false), (3, false), (2, true), (3, true), (8, true), (9, true)] {
        let (device, key) = with_counter::<UNIT>(ticks, follows);
        let cells = (key + BEFORE_CELLS).next_multiple_of(UNIT);
        // The first tick is in the base, and each other one has a unit.
        device.make_unreadable(cells + (ticks as usize - 2) * UNIT);
        let mut store = device.open(Bias::ONES).unwrap();
        let count = store.count("boots").unwrap();
        assert!((99 + ticks..=100 + ticks).contains(&count), "{UNIT} {ticks} {follows}: {count}");
        assert_eq!(store.get("name", &mut [0; 8]), Ok(Some(&b"quay"[..])));
        assert!(device.bad.borrow().failed > 0);
        device.make_readable();
        let mut store = device.open(Bias::ONES).unwrap();
        assert_eq!(store.count("boots"), Ok(count));
        assert_eq!(store.tick("boots"), Ok(count + 1));
    }
}

#[test]
fn an_unreadable_cell_is_the_tick_in_flight() {
    interrupted_tick::<4>();
    interrupted_tick::<8>();
}

/// No tick of this power-up was interrupted, so a cell that cannot be read is damage, not a tick.
#[test]
fn an_unreadable_cell_of_this_power_up_is_damage() {
    let device = Device::<8>::new(256);
    let mut store = device.open(Bias::ONES).unwrap();
    for n in 1..=3 {
        assert_eq!(store.tick("boots"), Ok(n));
    }
    let key = find(&device.bytes(), b"boots");
    // The first tick is in the base. So these are the last cell that was cleared, and the one that
    // the next tick would clear.
    for cell in [1, 2] {
        device.make_readable();
        device.make_unreadable((key + BEFORE_CELLS).next_multiple_of(8) + cell * 8);
        assert_eq!(store.count("boots"), Err(Error::Corrupt), "{cell}");
        assert_eq!(store.tick("boots"), Err(Error::Corrupt), "{cell}");
    }
}

/// A unit before the one in flight, or with ticks after it, is damage, and so is any unit that is
/// not a cell. A tally after which the log goes on is reported as corrupt and can be set. The last
/// one is taken for torn, and the value before it holds.
fn damaged_tally<const UNIT: usize>() {
    for (follows, offset) in [(true, 0), (false, 0), (true, -8), (false, -8)] {
        let (device, key) = with_counter::<UNIT>(9, follows);
        let cells = (key + BEFORE_CELLS).next_multiple_of(UNIT);
        device.make_unreadable(cells.checked_add_signed(offset).unwrap());
        let mut store = device.open(Bias::ONES).unwrap();
        if follows {
            assert_eq!(store.count("boots"), Err(Error::Corrupt), "{UNIT} {offset}");
            assert_eq!(store.tick("boots"), Err(Error::Corrupt));
            assert!(store.usage().damaged_records > 0);
            assert_eq!(store.get("other", &mut [0; 8]), Ok(Some(&b"pier"[..])));
        } else {
            assert_eq!(store.count("boots"), Ok(100), "{UNIT} {offset}");
        }
        store.put("boots", &7_u64.to_le_bytes()).unwrap();
        assert_eq!(store.tick("boots"), Ok(8));
        // The sector with the unreadable unit can still be compacted.
        for n in 9..400 {
            store.put("name", &[n as u8; 20]).unwrap();
            assert_eq!(store.tick("boots"), Ok(n));
        }
    }
}

#[test]
fn an_unreadable_tally_is_a_damaged_record() {
    damaged_tally::<4>();
    damaged_tally::<8>();
}

/// A commit whose value no longer reads still stands for its batch: no older value comes back.
#[test]
fn an_unreadable_commit_keeps_its_batch() {
    let device = Device::<8>::new(256);
    let mut store = device.open(Bias::ONES).unwrap();
    store.put("a", b"old").unwrap();
    store.put("b", b"old").unwrap();
    store.commit(&[Change::put("a", b"new"), Change::delete("b")]).unwrap();
    // Start and end of the batch, in the commit's value.
    let bytes = device.bytes();
    // Deletes stand first in a batch.
    let start = find(&bytes, b"anew") - 4 - 16;
    let commit = start + 2 * 16;
    assert_eq!(bytes[commit + 4..commit + 7], (start as u32).to_le_bytes()[..3]);
    store.put("c", b"follow").unwrap();
    // This byte is alone in its unit: the header stands in the unit before.
    device.make_unreadable(commit + 8);
    let mut store = device.open(Bias::ONES).unwrap();
    assert_eq!(store.get("a", &mut [0; 8]), Ok(Some(&b"new"[..])));
    assert_eq!(store.get("b", &mut [0; 8]), Ok(None));
    assert_eq!(store.get("c", &mut [0; 8]), Ok(Some(&b"follow"[..])));
    assert!(device.bad.borrow().failed > 0);
}

/// A record of a batch that no longer reads costs only itself: the others count, no older value of
/// its key comes back, and a key that had no value before is said to be in doubt.
#[test]
fn an_unreadable_record_of_a_batch_costs_only_itself() {
    for (key, first) in [("b", true), ("b", false), ("c", true), ("c", false)] {
        let device = Device::<8>::new(256);
        let mut store = device.open(Bias::ONES).unwrap();
        if !first {
            store.commit(&["a", "b", "c"].map(|key| Change::put(key, b"old"))).unwrap();
        }
        let put = |key| Change::put(key, b"a value of twenty-six bytes");
        store.commit(&["a", "b", "c"].map(put)).unwrap();
        store.put("d", b"follow").unwrap();
        // The header and the key stand in the unit before.
        let record = find(&device.bytes(), format!("{key}a value of").as_bytes());
        device.make_unreadable(record + 12);
        let mut store = device.open(Bias::ONES).unwrap();
        for name in ["a", "b", "c"] {
            let mut buffer = [0; 32];
            let found = store.get(name, &mut buffer);
            match (name == key, first) {
                (false, _) => assert_eq!(found, Ok(Some(&b"a value of twenty-six bytes"[..]))),
                (true, true) => assert_eq!(found, Ok(None)),
                (true, false) => assert_eq!(found, Err(Error::Corrupt)),
            }
        }
        assert_eq!(store.get("d", &mut [0; 8]), Ok(Some(&b"follow"[..])));
        assert!(store.usage().damaged_records > 0 && store.usage().doubtful_absent);
    }
}

/// A name that can no longer be read stays damage until it is replaced. It never becomes a key
/// without a value.
#[test]
fn an_unreadable_name_is_damage() {
    let device = Device::<8>::new(256);
    let mut store = device.open(Bias::ONES).unwrap();
    let name = "a long name";
    store.put(name, b"old").unwrap();
    // The header and the start of the name stand in the unit before.
    device.make_unreadable(find(&device.bytes(), b"ng name"));
    assert_eq!(store.get(name, &mut [0; 8]), Err(Error::Corrupt));
    store.put(name, b"new").unwrap();
    assert_eq!(store.get(name, &mut [0; 8]), Ok(Some(&b"new"[..])));
    assert_eq!(store.usage().keys, 1);
}

/// A flash that no longer reads anything is an error of the flash, not damage. What was
/// acknowledged is there when it reads again, at whatever read of an open it failed.
#[test]
fn a_flash_that_reads_nothing_costs_no_record() {
    let written = || {
        let device = Device::<8>::new(64);
        let mut store = device.open(Bias::ONES).unwrap();
        store.put("a name of more than sixteen bytes", &[5; 30]).unwrap();
        store.commit(&[Change::put("a", b"new"), Change::put("b", b"new")]).unwrap();
        store.tick("boots").unwrap();
        (device, store)
    };
    let (device, mut store) = written();
    device.bad.borrow_mut().reads_left = Some(0);
    assert!(matches!(store.get("a", &mut [0; 8]), Err(Error::Flash(_))));
    assert!(matches!(store.count("boots"), Err(Error::Flash(_))));
    assert_eq!(store.usage().damaged_records, 0);
    // It must not say that there is no store: that would ask for a format.
    assert!(matches!(device.open(Bias::ONES), Err(Error::Flash(_))));
    device.make_readable();
    assert_eq!(store.get("a", &mut [0; 8]), Ok(Some(&b"new"[..])));
    let mut refused = 0;
    for (reads, last) in (0..200).flat_map(|reads| [(reads, &b"c"[..]), (reads, b"boots")]) {
        let (device, mut store) = written();
        if last == b"c" {
            store.put("c", &[6; 40]).unwrap();
        }
        let expected = content(&mut store).unwrap();
        device.bad.borrow_mut().reads_left = Some(reads);
        refused += u32::from(device.open(Bias::ONES).is_err());
        device.make_readable();
        let mut store = device.open(Bias::ONES).unwrap();
        assert_eq!(content(&mut store), Ok(expected), "after {reads} reads");
    }
    assert!((1..400).contains(&refused), "{refused}");
}

/// A chunk of a byte region that cannot be read is replaced by a write of the whole chunk.
#[test]
fn an_unreadable_chunk_can_be_written_anew() {
    let device = Device::<8>::new(256);
    let mut store = device.open(Bias::ONES).unwrap();
    let mut rom = Region::<_, 16, 64>::new(&mut store, "rom", 256).unwrap();
    rom.write(0, &[6; 192]).unwrap();
    rom.write(0, &[7; 192]).unwrap();
    // Beyond what a read of the start of the record covers.
    device.make_unreadable(find(&device.bytes(), b"rom\x01\x00") + 60);
    let mut store = device.open(Bias::ONES).unwrap();
    let mut rom = Region::<_, 16, 64>::new(&mut store, "rom", 256).unwrap();
    let mut bytes = [0; 64];
    let refused = rom.read(64, &mut bytes);
    assert_eq!(refused, Err(RegionError::Store(Error::Corrupt)));
    rom.read(128, &mut bytes).unwrap();
    assert_eq!(bytes, [7; 64]);
    assert!(rom.write(65, &[8; 4]).is_err());
    rom.write(64, &[9; 64]).unwrap();
    rom.read(64, &mut bytes).unwrap();
    assert_eq!(bytes, [9; 64]);
    rom.read(0, &mut bytes).unwrap();
    assert_eq!(bytes, [7; 64]);
}

/// Whichever single unit cannot be read, the store opens, accepts new values and keeps them.
fn any_unit<const UNIT: usize>() {
    let fresh = || {
        let device = Device::<UNIT>::new(256);
        let mut store = device.open(Bias::ONES).unwrap();
        for round in 0..9_u8 {
            for key in 0..5_u8 {
                store.put(&[b'a' + key], &[round; 30]).unwrap();
            }
            store.tick("boots").unwrap();
            let value = [round; 9];
            let batch = [Change::put("x", &value), Change::put("y", &value[..3])];
            store.commit(&batch).unwrap();
        }
        device
    };
    for unit in 0..3 * SECTOR as usize / UNIT {
        let device = fresh();
        device.make_unreadable(unit * UNIT);
        let mut store = device.open(Bias::ONES).unwrap_or_else(|e| panic!("{UNIT} {unit}: {e}"));
        let mut buffer = [0; 40];
        for key in [&b"a"[..], b"b", b"c", b"d", b"e", b"x", b"y", b"boots"] {
            match store.get(key, &mut buffer) {
                Ok(_) | Err(Error::Corrupt) => {}
                Err(error) => panic!("{UNIT} {unit}: {error}"),
            }
        }
        store.put("boots", &[0; 8]).unwrap_or_else(|e| panic!("{UNIT} {unit}: {e}"));
        for round in 0..40_u8 {
            for key in *b"abcde" {
                store.put(&[key], &[round; 30]).unwrap();
                assert_eq!(store.get(&[key], &mut buffer), Ok(Some(&[round; 30][..])));
            }
            if store.tick("boots") == Err(Error::Corrupt) {
                // One of its cells cannot be read.
                store.put("boots", &u64::from(round + 1).to_le_bytes()).unwrap();
            }
        }
        let mut store = device.open(Bias::ONES).unwrap_or_else(|e| panic!("{UNIT} {unit}: {e}"));
        assert_eq!(store.get("e", &mut buffer), Ok(Some(&[39; 30][..])));
        // A cell that was never cleared may be taken for a tick in flight.
        let count = store.count("boots").unwrap();
        assert!((40..=41).contains(&count), "{UNIT} {unit}: {count}");
    }
}

#[test]
fn one_unreadable_unit_never_stops_the_store() {
    any_unit::<4>();
    any_unit::<8>();
    any_unit::<32>();
}

fn content<const UNIT: usize>(store: &mut Settings<UNIT>) -> Result<Content, Error<Failure>> {
    let mut names = Vec::new();
    store.for_each_key(|key, _| names.push(key.to_vec()))?;
    let mut value = [0; 400];
    let mut content = Content::new();
    for name in names {
        if let Some(value) = store.get(&name, &mut value)? {
            content.insert(name, value.to_vec());
        }
    }
    Ok(content)
}

/// Makes a random change and returns the content after it.
fn change<const UNIT: usize>(
    store: &mut Settings<UNIT>,
    before: &Content,
    rng: &mut ChaCha8Rng,
) -> (Content, Result<(), Error<Failure>>) {
    let mut after = before.clone();
    let len = if rng.random_bool(0.1) { rng.random_range(0..300) } else { rng.random_range(0..30) };
    let value: Vec<u8> = (0..len).map(|_| rng.random()).collect();
    let key = [b'a' + rng.random_range(0..5_u8)];
    let counter = [b"boots", b"ticks"][rng.random_range(0..2_usize)].to_vec();
    let result = match rng.random_range(0..20) {
        0..5 => {
            after.insert(key.into(), value.clone());
            store.put(&key, &value)
        }
        5 => {
            after.remove(&key[..]);
            store.delete(&key).map(|_| ())
        }
        6..9 => {
            let value = value.get(..20).unwrap_or(&value);
            after.insert(key.into(), value.to_vec());
            after.remove(&b"f"[..]);
            after.insert(b"g".into(), b"batch".into());
            let batch = [Change::put(&key, value), Change::delete("f"), Change::put("g", b"batch")];
            store.commit(&batch)
        }
        9 => {
            after.insert(b"f".into(), b"f".into());
            store.put("f", b"f")
        }
        10 => store.tidy(),
        _ => {
            let count = before.get(&counter).map_or(0, |value| {
                u64::from_le_bytes(value.as_slice().try_into().expect("a count has 8 bytes"))
            });
            after.insert(counter.clone(), (count + 1).to_le_bytes().into());
            store.tick(&counter).map(|_| ())
        }
    };
    (after, result)
}

/// Random lives. After each cut some units of the interrupted step fail to read, always or at
/// random, until they are zeroed or erased. Nothing acknowledged is lost, the change in flight is
/// there wholly or not at all, and what one open has reported the next one reports too.
fn lives<const UNIT: usize>(page: u32, seeds: u64) -> u64 {
    let mut failed = 0;
    for seed in 0..seeds {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        // Slots and tags take more than half of a small sector of large units.
        let sector_bytes = if UNIT == 32 { 4 * SECTOR } else { SECTOR };
        let device = Device::<UNIT>::with_sectors(page, sector_bytes);
        let mut allowed = vec![Content::new()];
        for power_up in 0..25 {
            let whence = || format!("unit {UNIT}, page {page}, seed {seed}, power-up {power_up}");
            let level = [Level::F0, Level::F1, Level::F2, Level::F3][rng.random_range(0..4_usize)];
            let most = if rng.random_bool(0.5) { 6 } else { 40 };
            let step = rng.random_range(0..most);
            let image = device.part.chip().image().clone();
            device.part.chip_mut().power_up(&image, Bias::seeded(rng.random()));
            let tears = ChaCha8Rng::seed_from_u64(rng.random());
            device.part.chip_mut().cut_randomly(step, level, tears);
            match device.open_again() {
                Ok(mut store) => {
                    let found = content(&mut store).unwrap_or_else(|e| panic!("{}: {e}", whence()));
                    assert!(allowed.contains(&found), "{}: {found:?} {allowed:?}", whence());
                    let before = found.clone();
                    allowed = vec![found];
                    let mut now = before;
                    for _ in 0..60 {
                        let (after, result) = change(&mut store, &now, &mut rng);
                        match result {
                            Ok(()) => now = after,
                            Err(Error::Flash(Failure::Part(PartError::PowerOff))) => {
                                allowed = vec![now.clone(), after];
                                break;
                            }
                            Err(error) => panic!("{}: {error}", whence()),
                        }
                        allowed = vec![now.clone()];
                    }
                }
                Err(Error::Flash(Failure::Part(PartError::PowerOff))) => {}
                Err(error) => panic!("{}: {error}", whence()),
            }
            device.make_torn_units_unreadable(&mut rng);
        }
        failed += device.bad.borrow().failed;
    }
    failed
}

#[test]
fn units_left_unreadable_by_cuts_lose_nothing() {
    let seeds = std::env::var("OUTLAST_LIVES").ok().and_then(|n| n.parse().ok()).unwrap_or(60);
    // Sizes as inside microcontrollers, and then larger pages.
    let mut failed = [lives::<4>(4, seeds), lives::<8>(8, seeds), lives::<32>(32, seeds)];
    assert!(failed.iter().all(|n| *n > 0), "{failed:?}");
    failed = [lives::<1>(256, seeds), lives::<4>(64, seeds), lives::<8>(256, seeds)];
    assert!(failed.iter().all(|n| *n > 0), "{failed:?}");
}
