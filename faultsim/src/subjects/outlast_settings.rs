//! Typed settings, migrations, the byte region and counters of `outlast-kvstore` as a subject of
//! the rig.
//!
//! The number in a setting's name says how the setting is stored. What the workload writes is
//! stored in that form, and read back as the bytes it was:
//!
//! | number mod 4 | stored as |
//! |---|---|
//! | 0 | a typed setting: an enum, with the variant chosen by the length of the value |
//! | 1 | a typed setting of version 1, which the next power-up or idle time migrates to version 2 |
//! | 2 | a slot of a byte region, across its chunks; a typed setting from number 64 on |
//! | 3 | a counter: a value one higher than the count is a tick, mostly of one bit at units 1 and 4 |
//!
//! Ticks of one bit program a unit many times. Serial chips (unit 1) allow that, and so does some
//! flash in microcontrollers that is written by words (unit 4). Where the unit is larger, it is
//! usually what an error-correcting code covers, and such parts refuse a second program of anything
//! but zeros. There, and at unit 2, the part under this subject is strict and each tick programs
//! half a unit.
//!
//! A batch that touches slots stores the intended content of the slots as a setting, together with
//! the rest of the batch; then it writes the slots. A power-up completes what was interrupted.

use std::cell::RefCell;
use std::collections::HashMap;

use embedded_storage::ReadStorage;
use outlast_kvstore::embedded_storage::nor_flash::NorFlash;
use outlast_kvstore::settings::{Setting, SettingBatch, SettingError, Why};
use outlast_kvstore::{Change as StoreChange, Error, Layout, Region, RegionError, Store};
use postcard_schema::Schema;
use serde::{Deserialize, Serialize};

use crate::part::{MultiNor, Nor, Part, PartError, SecondPrograms};
use crate::subject::{Change, KeyNames, Op, Subject, Trouble};

/// The most live records that a store under test can have.
const KEYS: usize = 128;
/// The longest value.
const MOST: usize = 128;
/// The size of the buffer for a batch.
const BATCH: usize = 8 * (MOST + 8);
/// Bytes of a slot: length and value. Not a multiple of the chunk, so that slots cross chunks.
const SLOT: usize = 27;
const SLOTS: u32 = 64;
/// Bytes of a chunk.
const CHUNK: usize = 16;
/// Chunks of an atomic write.
const SPAN: usize = 3;
/// The length that marks an empty slot: bytes that were never written read as 0xFF.
const EMPTY: u8 = 0xFF;

/// The features of `outlast-kvstore` that build on its store.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct OutlastSettings;

type Bytes = heapless::Vec<u8, MOST>;

/// A value, with a variant for each kind of type; the length of the value chooses it.
#[derive(Serialize, Deserialize, Schema)]
enum Kept {
    Nothing,
    Byte(u8),
    Pair(u8, i8),
    Number { word: u32 },
    Real(f64),
    Text(Option<Bytes>),
}

/// A setting before a firmware update.
#[derive(Serialize, Deserialize, Schema)]
struct Version1 {
    bytes: Bytes,
}

/// The same setting after the update.
#[derive(Serialize, Deserialize, Schema)]
struct Version2 {
    migrated: bool,
    sum: u16,
    bytes: Bytes,
}

/// What is to be written to slots of the region.
#[derive(Serialize, Deserialize, Schema)]
struct Intent {
    slots: heapless::Vec<(u8, heapless::Vec<u8, SLOT>), 3>,
}

const INTENT: Setting<Intent, 128> = Setting::new("!", || Intent { slots: heapless::Vec::new() });

fn kept(name: &'static str) -> Setting<Kept, 144> {
    Setting::new(name, || Kept::Nothing)
}

fn version_1(name: &'static str) -> Setting<Version1, 144> {
    Setting::new(name, || Version1 { bytes: Bytes::new() })
}

fn version_2(name: &'static str) -> Setting<Version2, 144> {
    Setting::new(name, || Version2 { migrated: false, sum: 0, bytes: Bytes::new() })
        .checked("sum of the bytes", |value| value.sum == sum(&value.bytes))
}

fn sum(bytes: &[u8]) -> u16 {
    bytes.iter().map(|byte| u16::from(*byte)).sum()
}

impl Kept {
    fn of(value: &[u8]) -> Result<Self, Trouble> {
        Ok(match *value {
            [] => Self::Nothing,
            [byte] => Self::Byte(byte),
            [a, b] => Self::Pair(a, b.cast_signed()),
            [a, b, c, d] => Self::Number { word: u32::from_le_bytes([a, b, c, d]) },
            [a, b, c, d, e, f, g, h] => Self::Real(f64::from_le_bytes([a, b, c, d, e, f, g, h])),
            _ => Self::Text(Some(list(value)?)),
        })
    }

    fn bytes(&self) -> Vec<u8> {
        match self {
            Self::Nothing => vec![],
            Self::Byte(byte) => vec![*byte],
            Self::Pair(a, b) => vec![*a, b.cast_unsigned()],
            Self::Number { word } => word.to_le_bytes().into(),
            Self::Real(real) => real.to_le_bytes().into(),
            Self::Text(text) => text.as_deref().unwrap_or_default().into(),
        }
    }
}

fn list<const N: usize>(value: &[u8]) -> Result<heapless::Vec<u8, N>, Trouble> {
    heapless::Vec::from_slice(value)
        .map_err(|_| Trouble::Refused(format!("a value of {} bytes", value.len())))
}

/// How a setting is stored.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Form {
    Typed,
    Migrated,
    Slot(u32),
    Counter,
}

fn form(name: &str) -> Form {
    let digits = name.bytes().filter(u8::is_ascii_digit);
    let number = digits.fold(0_u32, |n, digit| n.wrapping_mul(10) + u32::from(digit - b'0'));
    match number % 4 {
        0 => Form::Typed,
        1 => Form::Migrated,
        2 if number < SLOTS => Form::Slot(number),
        3 => Form::Counter,
        _ => Form::Typed,
    }
}

/// Makes a name live forever, as a declared setting requires. There are few different names.
fn forever(name: &str) -> &'static str {
    thread_local! {
        static NAMES: RefCell<HashMap<String, &'static str>> = RefCell::default();
    }
    NAMES.with_borrow_mut(|names| {
        if let Some(known) = names.get(name) {
            return *known;
        }
        let new: &'static str = Box::leak(name.to_owned().into_boxed_str());
        names.insert(name.to_owned(), new);
        new
    })
}

/// How counters tick on a kind of flash.
trait Ticks: NorFlash<Error = PartError> + Sized {
    fn tick(store: &mut Store<Self, KEYS>, name: &str) -> Result<u64, Error<PartError>>;
}

/// Half a unit per tick.
impl<const READ: usize, const UNIT: usize> Ticks for Nor<READ, UNIT> {
    fn tick(store: &mut Store<Self, KEYS>, name: &str) -> Result<u64, Error<PartError>> {
        store.tick(name)
    }
}

/// One bit per tick; half a unit for some counters; a mixture of both for others.
impl<const READ: usize, const UNIT: usize> Ticks for MultiNor<READ, UNIT> {
    fn tick(store: &mut Store<Self, KEYS>, name: &str) -> Result<u64, Error<PartError>> {
        let count = store.count(name)?;
        if name.ends_with('7') || name.ends_with('5') && count % 3 == 0 {
            store.tick(name)
        } else {
            store.tick_bit(name)
        }
    }
}

/// A device with a store: one function for each kind of request, for any flash.
struct Device<'s, F: NorFlash>(&'s mut Store<F, KEYS>);

type Done<T = ()> = Result<T, Trouble>;

impl<F: Ticks> Device<'_, F> {
    fn region(&mut self) -> Done<Region<'_, F, KEYS, CHUNK, SPAN>> {
        Region::new(self.0, "r", SLOTS * SLOT as u32).map_err(|e| of_region(&e))
    }

    fn read_slot(&mut self, slot: u32) -> Done<[u8; SLOT]> {
        let mut bytes = [0; SLOT];
        self.region()?.read(slot * SLOT as u32, &mut bytes).map_err(|e| of_region(&e))?;
        Ok(bytes)
    }

    /// Writes the content of a slot. The write is atomic, because a slot never touches more than
    /// [`SPAN`] chunks.
    fn write_slot(&mut self, slot: u32, bytes: &[u8]) -> Done {
        self.region()?.write_atomic(slot * SLOT as u32, bytes).map_err(|e| of_region(&e))
    }

    /// Completes a batch that was interrupted after its commit.
    fn finish(&mut self) -> Done {
        for (slot, bytes) in INTENT.load(self.0).map_err(of_setting)?.value.slots {
            self.write_slot(slot.into(), &bytes)?;
        }
        INTENT.reset(self.0).map_err(of_setting).map(|_| ())
    }

    fn migrate(&mut self) -> Done {
        let mut names = Vec::new();
        let note = |name: &[u8], _| {
            let name = String::from_utf8_lossy(name).into_owned();
            if name.bytes().any(|b| b.is_ascii_digit()) && form(&name) == Form::Migrated {
                names.push(name);
            }
        };
        self.0.for_each_key(note).map_err(of_store)?;
        for name in names {
            let loaded = version_2(forever(&name)).load_migrating(self.0, |old| {
                let Version1 { bytes } = old.read()?;
                Some(Version2 { migrated: true, sum: sum(&bytes), bytes })
            });
            loaded.map_err(of_setting)?;
        }
        Ok(())
    }

    fn put(&mut self, name: &str, value: &[u8]) -> Done {
        let name = forever(name);
        match form(name) {
            Form::Typed => kept(name).save(self.0, &Kept::of(value)?).map_err(of_setting),
            Form::Migrated => {
                let old = Version1 { bytes: list(value)? };
                version_1(name).save(self.0, &old).map_err(of_setting)
            }
            Form::Slot(slot) => self.write_slot(slot, &slot_bytes(Some(value))?),
            Form::Counter => self.count_to(name, value).map_err(of_store),
        }
    }

    /// Ticks the counter if the value is one more than the count; otherwise stores the value.
    fn count_to(&mut self, name: &str, value: &[u8]) -> Result<(), Error<PartError>> {
        let next = match self.0.count(name) {
            Ok(count) => count.wrapping_add(1).to_le_bytes(),
            // The workload stored a value that is not a count.
            Err(Error::NotACounter) => return self.0.put(name, value),
            Err(error) => return Err(error),
        };
        if value != next { self.0.put(name, value) } else { F::tick(self.0, name).map(|_| ()) }
    }

    fn delete(&mut self, name: &str) -> Done {
        match form(name) {
            Form::Slot(slot) => self.write_slot(slot, &slot_bytes(None)?),
            _ => self.0.delete(name).map(|_| ()).map_err(of_store),
        }
    }

    fn batch(&mut self, changes: &[Change], keys: &KeyNames) -> Done {
        let mut buffer = [0; BATCH];
        let mut batch = SettingBatch::<8>::new(&mut buffer);
        let mut intent = INTENT.default_value();
        for change in changes {
            let (key, value) = match change {
                Change::Put { key, value } => (*key, Some(value.as_slice())),
                Change::Delete { key } => (*key, None),
            };
            let name = forever(keys.name(key));
            batch = match (form(name), value) {
                (Form::Slot(slot), value) => {
                    let slot = u8::try_from(slot).unwrap_or(u8::MAX);
                    let entry = (slot, slot_bytes(value)?);
                    let room = intent.slots.push(entry);
                    room.map_err(|_| Trouble::Refused("a batch of many slots".to_owned()))?;
                    batch
                }
                (_, None) => batch.plain(StoreChange::delete(name)),
                (Form::Typed, Some(value)) => batch.set(&kept(name), &Kept::of(value)?),
                (Form::Migrated, Some(value)) => {
                    batch.set(&version_1(name), &Version1 { bytes: list(value)? })
                }
                (Form::Counter, Some(value)) => batch.plain(StoreChange::put(name, value)),
            };
        }
        let slots = !intent.slots.is_empty();
        if slots {
            batch = batch.set(&INTENT, &intent);
        }
        batch.commit(self.0).map_err(of_setting)?;
        if slots { self.finish() } else { Ok(()) }
    }

    fn apply(&mut self, op: &Op, keys: &KeyNames) -> Done {
        match op {
            Op::Put { key, value } => self.put(keys.name(*key), value),
            Op::Delete { key } => self.delete(keys.name(*key)),
            Op::Batch(changes) => self.batch(changes, keys),
            Op::Clear => self.0.clear().map_err(of_store),
            Op::Tidy => {
                self.migrate()?;
                self.0.tidy().map_err(of_store)
            }
            Op::Reopen => Ok(()),
        }
    }

    /// The value of a setting. This programs nothing.
    fn get(&mut self, name: &str) -> Done<Option<Vec<u8>>> {
        let name = forever(name);
        let mut plain = [0; MOST];
        match form(name) {
            Form::Slot(slot) => {
                let bytes = self.read_slot(slot)?;
                let [len, value @ ..] = bytes;
                if len == EMPTY {
                    return Ok(None);
                }
                match value.get(..usize::from(len)) {
                    Some(value) => Ok(Some(value.to_vec())),
                    None => Err(Trouble::Broken(format!("slot {slot} holds {len} bytes"))),
                }
            }
            Form::Counter => {
                let value = self.0.get(name, &mut plain).map_err(of_store)?;
                Ok(value.map(<[u8]>::to_vec))
            }
            form => {
                if self.0.get(name, &mut [0; 160]).map_err(of_store)?.is_none() {
                    return Ok(None);
                }
                if form == Form::Typed {
                    return Ok(Some(kept(name).load(self.0).map_err(of_setting)?.value.bytes()));
                }
                match version_2(name).load(self.0) {
                    Ok(loaded) => Ok(Some(loaded.value.bytes.to_vec())),
                    Err(SettingError { why: Why::OtherType { .. }, .. }) => {
                        let old = version_1(name).load(self.0).map_err(of_setting)?;
                        Ok(Some(old.value.bytes.to_vec()))
                    }
                    Err(error) => Err(of_setting(error)),
                }
            }
        }
    }
}

fn slot_bytes(value: Option<&[u8]>) -> Done<heapless::Vec<u8, SLOT>> {
    let Some(value) = value else { return list(&[EMPTY]) };
    let len = u8::try_from(value.len()).unwrap_or(EMPTY);
    let bytes: Vec<u8> = [len].into_iter().chain(value.iter().copied()).collect();
    list(&bytes)
}

fn of_store(error: Error<PartError>) -> Trouble {
    match error {
        Error::Flash(PartError::PowerOff) => Trouble::PowerOff,
        Error::Full => Trouble::Full,
        Error::Corrupt => Trouble::Corrupt,
        Error::InvalidKey | Error::TooLarge | Error::IndexFull | Error::NotACounter => {
            Trouble::Refused(error.to_string())
        }
        error => Trouble::Broken(error.to_string()),
    }
}

fn of_setting(error: SettingError<PartError>) -> Trouble {
    match error.why {
        Why::Store(error) => of_store(error),
        _ => Trouble::Broken(error.to_string()),
    }
}

fn of_region(error: &RegionError<PartError>) -> Trouble {
    match error {
        RegionError::Store(error) => of_store(*error),
        error => Trouble::Broken(error.to_string()),
    }
}

/// A running store. There is one variant for each program unit, since the flash traits fix the unit
/// at compile time.
#[derive(Debug)]
#[expect(missing_docs, reason = "the numbers are the program units")]
pub enum Running {
    Unit1(Store<MultiNor<1, 1>, KEYS>),
    Unit2(Store<Nor<1, 2>, KEYS>),
    Unit4(Store<MultiNor<4, 4>, KEYS>),
    Unit8(Store<Nor<8, 8>, KEYS>),
    Unit16(Store<Nor<4, 16>, KEYS>),
    Unit32(Store<Nor<8, 32>, KEYS>),
}

macro_rules! with_device {
    ($running:expr, $device:ident => $body:expr) => {
        match $running {
            Running::Unit1(store) => {
                let mut $device = Device(store);
                $body
            }
            Running::Unit2(store) => {
                let mut $device = Device(store);
                $body
            }
            Running::Unit4(store) => {
                let mut $device = Device(store);
                $body
            }
            Running::Unit8(store) => {
                let mut $device = Device(store);
                $body
            }
            Running::Unit16(store) => {
                let mut $device = Device(store);
                $body
            }
            Running::Unit32(store) => {
                let mut $device = Device(store);
                $body
            }
        }
    };
}

impl Subject for OutlastSettings {
    type Store = Running;

    fn name(&self) -> &'static str {
        "outlast-settings"
    }

    fn works_when_full(&self) -> bool {
        true
    }

    fn second_programs(&self) -> SecondPrograms {
        SecondPrograms::Refused
    }

    fn open(&self, part: &Part) -> Result<Running, Trouble> {
        let geometry = part.chip().geometry();
        let layout = Layout::serial_nor()
            .with_sector_bytes(geometry.sector_bytes)
            .with_page_bytes(geometry.page);
        let mut running = match geometry.unit {
            1 => Running::Unit1(Store::open(part.multi_nor(), layout).map_err(of_store)?),
            2 => Running::Unit2(Store::open(part.nor(), layout).map_err(of_store)?),
            4 => Running::Unit4(Store::open(part.multi_nor(), layout).map_err(of_store)?),
            8 => Running::Unit8(Store::open(part.nor(), layout).map_err(of_store)?),
            16 => Running::Unit16(Store::open(part.nor(), layout).map_err(of_store)?),
            32 => Running::Unit32(Store::open(part.nor(), layout).map_err(of_store)?),
            unit => return Err(Trouble::Broken(format!("no store for a unit of {unit} bytes"))),
        };
        with_device!(&mut running, device => {
            device.finish()?;
            device.migrate()?;
        });
        Ok(running)
    }

    fn apply(&self, store: &mut Running, op: &Op, keys: &KeyNames) -> Result<(), Trouble> {
        with_device!(store, device => device.apply(op, keys))
    }

    fn get(&self, store: &mut Running, key: &str, out: &mut Vec<u8>) -> Result<bool, Trouble> {
        let value = with_device!(store, device => device.get(key))?;
        out.clear();
        out.extend(value.as_deref().unwrap_or_default());
        Ok(value.is_some())
    }

    fn has_counters(&self) -> bool {
        true
    }
}
