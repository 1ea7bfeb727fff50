//! Flash that does not take what is programmed.
//!
//! Goal: `Ok` means that the bytes were read back, a failure is reported as what it is, and what can
//! be read stays readable. Method: a part on which programs have no effect in chosen places, or
//! nowhere, or on which the driver reports errors; the store beside a map.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;

use outlast_kvstore::embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash,
};
use outlast_kvstore::{Change, Error, Layout, Store};

/// What is wrong with the part.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Trouble {
    Nothing,
    /// Programs of these bytes of the part have no effect.
    Dead(u32, u32),
    /// The same, and the driver reports an error.
    Failing(u32, u32),
    /// One bit of the first of these bytes stays zero.
    Stuck(u32, u32),
    /// No program and no erase has an effect.
    Protected,
    /// The driver reports an error for each program and each erase, which have no effect.
    Refusing,
    /// The same for erases only.
    RefusingErases,
}

struct Cells {
    bytes: Vec<u8>,
    trouble: Trouble,
}

impl Cells {
    fn stick(&mut self) {
        if let Trouble::Stuck(at, _) = self.trouble {
            self.bytes[at as usize] &= !0x10;
        }
    }
}

const SECTOR: u32 = 1024;

#[derive(Clone)]
struct Flash<const UNIT: usize>(Rc<RefCell<Cells>>);

type Settings<const UNIT: usize> = Store<Flash<UNIT>, 16>;
type Failure = Error<NorFlashErrorKind>;

impl<const UNIT: usize> Flash<UNIT> {
    fn new(sectors: u32) -> Self {
        let bytes = vec![0xFF; (sectors * SECTOR) as usize];
        Self(Rc::new(RefCell::new(Cells { bytes, trouble: Trouble::Nothing })))
    }

    fn set(&self, trouble: Trouble) {
        let mut cells = self.0.borrow_mut();
        cells.trouble = trouble;
        cells.stick();
    }

    fn open(&self) -> Result<Settings<UNIT>, Failure> {
        let layout = Layout::serial_nor().with_sector_bytes(SECTOR).with_page_bytes(64);
        Store::open(self.clone(), layout)
    }
}

impl<const UNIT: usize> ErrorType for Flash<UNIT> {
    type Error = NorFlashErrorKind;
}

impl<const UNIT: usize> ReadNorFlash for Flash<UNIT> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, at: u32, out: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        out.copy_from_slice(&self.0.borrow().bytes[at as usize..][..out.len()]);
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.0.borrow().bytes.len()
    }
}

impl<const UNIT: usize> NorFlash for Flash<UNIT> {
    const WRITE_SIZE: usize = UNIT;
    const ERASE_SIZE: usize = SECTOR as usize;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        let mut cells = self.0.borrow_mut();
        match cells.trouble {
            Trouble::Refusing | Trouble::RefusingErases => Err(NorFlashErrorKind::Other),
            Trouble::Protected => Ok(()),
            _ => {
                cells.bytes[from as usize..to as usize].fill(0xFF);
                cells.stick();
                Ok(())
            }
        }
    }

    fn write(&mut self, at: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        let mut cells = self.0.borrow_mut();
        let dead = match cells.trouble {
            Trouble::Refusing => return Err(NorFlashErrorKind::Other),
            Trouble::Protected => 0..u32::MAX,
            Trouble::Dead(from, to) | Trouble::Failing(from, to) => from..to,
            _ => 0..0,
        };
        for (at, byte) in (at..).zip(bytes) {
            if !dead.contains(&at) {
                cells.bytes[at as usize] &= byte;
            }
        }
        let end = at + bytes.len() as u32;
        let reported = matches!(cells.trouble, Trouble::Failing(from, to) if from < end && at < to);
        if reported { Err(NorFlashErrorKind::Other) } else { Ok(()) }
    }
}

const NAMES: [&str; 5] = ["alarm.low", "alarm.high", "channel", "site", "calibration.table"];

/// Puts values of different lengths, and returns what was acknowledged.
fn settings<const UNIT: usize>(
    store: &mut Settings<UNIT>,
    rounds: u32,
) -> BTreeMap<&'static str, Vec<u8>> {
    let mut map = BTreeMap::new();
    for round in 0..rounds {
        let name = NAMES[(round % 5) as usize];
        let value = vec![round as u8; (round * 7 % 60) as usize];
        store.put(name, &value).unwrap();
        map.insert(name, value);
    }
    map
}

fn expect<const UNIT: usize>(
    store: &mut Settings<UNIT>,
    map: &BTreeMap<&'static str, Vec<u8>>,
    what: &str,
) {
    for (name, value) in map {
        assert_eq!(store.get(name, &mut [0; 64]), Ok(Some(&value[..])), "{name} {what}");
    }
}

/// Wherever a few bytes take no program, each value that was acknowledged reads back, in this
/// power-up and in the next one, and the store goes on.
fn a_bad_place<const UNIT: usize>(sectors: u32, trouble: fn(u32, u32) -> Trouble) {
    for place in (0..sectors * SECTOR).step_by(24) {
        let trouble = trouble(place, place + 5);
        let flash = Flash::<UNIT>::new(sectors);
        let open = || flash.open().unwrap_or_else(|e| panic!("unit {UNIT}, {trouble:?}: {e}"));
        let mut store = open();
        flash.set(trouble);
        let mut map = BTreeMap::new();
        for round in 0..400_u32 {
            let what = format!("unit {UNIT}, {sectors} sectors, {trouble:?}, round {round}");
            let name = NAMES[(round % 5) as usize];
            let value = vec![round as u8 ^ 0x55; (round % 41) as usize];
            store.put(name, &value).unwrap_or_else(|e| panic!("{what}: {e}"));
            map.insert(name, value);
            if round % 9 == 0 {
                store = open();
            }
            expect(&mut store, &map, &what);
        }
    }
}

#[test]
fn a_place_that_takes_no_program_is_left() {
    for sectors in [2, 4] {
        a_bad_place::<1>(sectors, Trouble::Dead);
        a_bad_place::<8>(sectors, Trouble::Dead);
    }
}

#[test]
fn a_place_that_fails_is_left() {
    a_bad_place::<1>(4, Trouble::Failing);
    a_bad_place::<8>(4, Trouble::Failing);
}

#[test]
fn a_place_that_stays_programmed_is_left() {
    a_bad_place::<1>(4, Trouble::Stuck);
    a_bad_place::<8>(4, Trouble::Stuck);
}

/// Whatever call meets a part that takes nothing: the error is honest, and all settings can be read.
/// Once the part takes programs again, they are there after an open.
fn nothing_is_taken<const UNIT: usize>(sectors: u32, trouble: Trouble, expected: Failure) {
    type Call<const UNIT: usize> = fn(&mut Settings<UNIT>) -> Result<(), Failure>;
    let calls: [(&str, Call<UNIT>); 7] = [
        ("put", |store| store.put("site", b"the upper orchard")),
        ("put of a new key", |store| store.put("new", &[1; 30])),
        ("delete", |store| store.delete("site").map(|_| ())),
        ("commit", |store| {
            store.commit(&[Change::put("channel", &[7; 9]), Change::delete("alarm.low")])
        }),
        ("tick", |store| store.tick("boots").map(|_| ())),
        ("rest", |store| store.rest()),
        ("clear", |store| store.clear()),
    ];
    // So that the head is nearly full in some, and a compaction is needed.
    for rounds in 5..60 {
        for (name, call) in calls {
            let what = format!("after {name}, unit {UNIT}, {rounds} rounds, {trouble:?}");
            let flash = Flash::<UNIT>::new(sectors);
            let mut store = flash.open().unwrap();
            let map = settings(&mut store, rounds);
            store.tick("boots").unwrap();
            flash.set(trouble);
            match call(&mut store) {
                // No erase was needed, or there was no room for a rest record.
                Ok(()) if trouble == Trouble::RefusingErases || name == "rest" => continue,
                result => assert_eq!(result, Err(expected), "{what}"),
            }
            expect(&mut store, &map, &what);
            assert_eq!(store.count("boots"), Ok(1), "{what}");
            assert_eq!(store.get("new", &mut [0; 64]), Ok(None), "{what}");
            assert_eq!(store.put("new", b""), Err(Error::ReopenNeeded), "{what}");
            expect(&mut store, &map, &what);
            flash.set(Trouble::Nothing);
            let mut store = flash.open().unwrap();
            expect(&mut store, &map, &what);
            assert_eq!(store.count("boots"), Ok(1), "{what}");
            call(&mut store).unwrap();
        }
    }
}

#[test]
fn a_part_that_takes_nothing_stays_readable() {
    for sectors in [2, 3] {
        nothing_is_taken::<1>(sectors, Trouble::Protected, Error::Worn);
        nothing_is_taken::<8>(sectors, Trouble::Protected, Error::Worn);
        let refused = Error::Flash(NorFlashErrorKind::Other);
        nothing_is_taken::<1>(sectors, Trouble::Refusing, refused);
        nothing_is_taken::<1>(sectors, Trouble::RefusingErases, refused);
    }
}
