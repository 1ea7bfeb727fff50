//! Outlast itself as a subject of the rig, with one store type for each program unit.

use core::fmt::Debug;

use embedded_storage::nor_flash::NorFlash;
use outlast_kvstore::{Change as StoreChange, Error, Found, Layout, Store, Usage, View};

use crate::part::{Geometry, Nor, Part, PartError, SecondPrograms};
use crate::subject::{Bounds, Change, EachSetting, KeyNames, Op, Subject, Trouble, Work};

/// The name of the subject, see [`Subject::name`].
pub const NAME: &str = "outlast";

/// The page size that the store uses, in bytes: at least eight program units, and at least 64.
#[must_use]
pub fn page_bytes(page: u32, unit: u32) -> u32 {
    page.max(8 * unit).max(64)
}

/// The smallest sector that the store accepts, in bytes: four of its pages.
#[must_use]
pub fn least_sector_bytes(page: u32, unit: u32) -> u32 {
    4 * page_bytes(page, unit)
}

/// The most live keys that a store under test can have.
pub(super) const KEYS: usize = 64;

/// The store of `outlast-kvstore`, with room for 64 keys.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Outlast;

/// The same with room for 4096 keys, for measurements. The rig would be slower with it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ManyKeys;

impl ManyKeys {
    /// The most live keys.
    pub const KEYS: u32 = MANY_KEYS as u32;
}

const MANY_KEYS: usize = 4096;

/// A running store. There is one variant for each program unit, since the flash traits fix the unit
/// at compile time. Boxed, because it is passed on many times for each image.
#[derive(Debug)]
#[expect(missing_docs, reason = "the numbers are the program units")]
pub enum Running<const PLACES: usize = KEYS> {
    Unit1(Box<Store<Nor<1, 1>, PLACES>>),
    Unit2(Box<Store<Nor<1, 2>, PLACES>>),
    Unit4(Box<Store<Nor<4, 4>, PLACES>>),
    Unit8(Box<Store<Nor<8, 8>, PLACES>>),
    Unit16(Box<Store<Nor<4, 16>, PLACES>>),
    Unit32(Box<Store<Nor<8, 32>, PLACES>>),
}

macro_rules! with_store {
    ($running:expr, $store:ident => $body:expr) => {
        match $running {
            Running::Unit1($store) => $body,
            Running::Unit2($store) => $body,
            Running::Unit4($store) => $body,
            Running::Unit8($store) => $body,
            Running::Unit16($store) => $body,
            Running::Unit32($store) => $body,
        }
    };
}

/// What a subject hands on to its store, however many keys that has room for.
macro_rules! forward_to_store {
    () => {
        fn works_when_full(&self) -> bool {
            true
        }

        fn second_programs(&self) -> SecondPrograms {
            SecondPrograms::Refused
        }

        fn open(&self, part: &Part) -> Result<Self::Store, Trouble> {
            Running::open(part)
        }

        fn apply(&self, store: &mut Self::Store, op: &Op, keys: &KeyNames) -> Result<(), Trouble> {
            store.apply(op, keys)
        }

        fn get(
            &self,
            store: &mut Self::Store,
            key: &str,
            out: &mut Vec<u8>,
        ) -> Result<bool, Trouble> {
            store.get(key, out)
        }

        fn list(
            &self,
            store: &mut Self::Store,
            each: &mut dyn FnMut(&[u8]),
        ) -> Option<Result<(), Trouble>> {
            Some(store.list(each))
        }

        fn view(
            &self,
            part: &Part,
            keys: &KeyNames,
            each: &mut EachSetting<'_>,
        ) -> Option<Result<(), Trouble>> {
            Some(Self::Store::view(part, keys, each))
        }
    };
}

impl Subject for Outlast {
    type Store = Running<KEYS>;

    fn name(&self) -> &'static str {
        NAME
    }

    /// Counted from the rules in `kvstore/FORMAT.md`, rounded up.
    fn bounds(&self, geometry: &Geometry) -> Option<Bounds> {
        let (sectors, bytes) = (u64::from(geometry.sectors), u64::from(geometry.sector_bytes));
        let pages = bytes / u64::from(page_bytes(geometry.page, geometry.unit));
        let keys = KEYS as u64;
        // The shortest record: a key of one byte and no value. A read takes up to 64 bytes of a
        // record, and nothing beyond its page.
        let records = bytes / 11_u64.next_multiple_of(geometry.unit.into());
        let blank = bytes / 64;
        // A compaction: trial, two openings, a decision, a seal and a spare record, each of them read
        // back. Copies take a program call for each page they touch, and are counted with the calls
        // that make them.
        let compaction =
            Work { reads: 2 * keys + bytes / 32 + blank, programs: pages + 8, erases: 1 };
        // There is one more erase than compactions, if a cut interrupted the erase before. All live
        // records are copied at most once, however many compactions a change needs: each is read
        // for its key, for its value and to be copied.
        let op = Work {
            reads: sectors * compaction.reads + 8 * keys,
            programs: sectors * compaction.programs + keys.min(records * sectors) + pages,
            // A sector that seems to be bad is erased twice.
            erases: 2 * sectors + 2,
        };
        // A record is read by the walk, twice more if it belongs to a batch, and once when it is
        // replaced. Each page has a tag and may have a settle record.
        let walk = 4 * (records + pages) + 6 * pages;
        // Settling looks for a blank page, and is tried three times; then the suspect is dropped,
        // and the log is replayed up to there. Each further replay needs one more copy that passes
        // once and then fails three times; two of them were never seen to be exceeded.
        let replay = (sectors - 1) * walk + 3 * (2 * blank + 8 * pages);
        let open = Work {
            reads: 3 * replay + (sectors + 2) * blank + 2 * compaction.reads + 8 * keys,
            programs: 2 * compaction.programs + keys.min(records) + 3 * pages + 8,
            erases: sectors + 6,
        };
        Some(Bounds { open, op })
    }

    forward_to_store!();
}

impl Subject for ManyKeys {
    type Store = Running<MANY_KEYS>;

    fn name(&self) -> &'static str {
        NAME
    }

    forward_to_store!();
}

impl<const PLACES: usize> Running<PLACES> {
    fn open(part: &Part) -> Result<Self, Trouble> {
        let layout = layout(part);
        let unit = part.chip().geometry().unit;
        Ok(match unit {
            1 => Self::Unit1(open(part.nor(), &layout)?),
            2 => Self::Unit2(open(part.nor(), &layout)?),
            4 => Self::Unit4(open(part.nor(), &layout)?),
            8 => Self::Unit8(open(part.nor(), &layout)?),
            16 => Self::Unit16(open(part.nor(), &layout)?),
            32 => Self::Unit32(open(part.nor(), &layout)?),
            unit => return Err(Trouble::Broken(format!("no store for a unit of {unit} bytes"))),
        })
    }

    fn view(part: &Part, keys: &KeyNames, each: &mut EachSetting<'_>) -> Result<(), Trouble> {
        let geometry = part.chip().geometry();
        let layout = (&layout(part), geometry.sector_bytes as usize);
        match geometry.unit {
            1 => view::<_, PLACES>(part.nor::<1, 1>(), layout, keys, each),
            2 => view::<_, PLACES>(part.nor::<1, 2>(), layout, keys, each),
            4 => view::<_, PLACES>(part.nor::<4, 4>(), layout, keys, each),
            8 => view::<_, PLACES>(part.nor::<8, 8>(), layout, keys, each),
            16 => view::<_, PLACES>(part.nor::<4, 16>(), layout, keys, each),
            _ => view::<_, PLACES>(part.nor::<8, 32>(), layout, keys, each),
        }
    }

    fn apply(&mut self, op: &Op, keys: &KeyNames) -> Result<(), Trouble> {
        with_store!(self, store => apply(store, op, keys).map_err(trouble))
    }

    fn get(&mut self, key: &str, out: &mut Vec<u8>) -> Result<bool, Trouble> {
        with_store!(self, store => get(store, key, out).map_err(trouble))
    }

    fn list(&mut self, each: &mut dyn FnMut(&[u8])) -> Result<(), Trouble> {
        with_store!(self, store => {
            store.for_each_key(|key, _| each(key)).map_err(trouble)
        })
    }

    /// Prepares for a planned loss of power.
    ///
    /// # Errors
    /// What the store reports.
    pub fn rest(&mut self) -> Result<(), Trouble> {
        with_store!(self, store => store.rest().map_err(trouble))
    }

    /// How full and how worn the store is.
    pub fn usage(&self) -> Usage {
        with_store!(self, store => store.usage())
    }
}

fn layout(part: &Part) -> Layout {
    let geometry = part.chip().geometry();
    Layout::serial_nor().with_sector_bytes(geometry.sector_bytes).with_page_bytes(geometry.page)
}

/// Reads all settings without mounting.
pub(super) fn view<F: NorFlash<Error = PartError>, const PLACES: usize>(
    flash: F,
    (layout, longest): (&Layout, usize),
    keys: &KeyNames,
    each: &mut EachSetting<'_>,
) -> Result<(), Trouble> {
    let mut view = match View::<F, PLACES>::open(flash, layout.clone()) {
        // There is no store yet, so there are no settings.
        Err(Error::NotAStore(Found::Nothing)) => {
            keys.iter().for_each(|(key, _)| each(key, Ok(None)));
            return Ok(());
        }
        view => view.map_err(trouble)?,
    };
    let mut buffer = vec![0; longest];
    for (key, name) in keys.iter() {
        each(key, view.get(name, &mut buffer).map_err(trouble));
    }
    Ok(())
}

/// Opens a store in its final place on the heap.
fn open<F: NorFlash<Error = PartError>, const PLACES: usize>(
    flash: F,
    layout: &Layout,
) -> Result<Box<Store<F, PLACES>>, Trouble> {
    let mut store = Box::new(Store::new(flash, layout).map_err(trouble)?);
    store.mount().map_err(trouble)?;
    Ok(store)
}

/// Runs one operation on a store over any flash.
pub(super) fn apply<F: NorFlash, const PLACES: usize>(
    store: &mut Store<F, PLACES>,
    op: &Op,
    keys: &KeyNames,
) -> Result<(), Error<F::Error>> {
    match op {
        Op::Put { key, value } => store.put(keys.name(*key), value),
        Op::Delete { key } => store.delete(keys.name(*key)).map(|_| ()),
        Op::Batch(changes) => {
            let changes: Vec<_> = changes
                .iter()
                .map(|change| match change {
                    Change::Put { key, value } => StoreChange::put(keys.name(*key), value),
                    Change::Delete { key } => StoreChange::delete(keys.name(*key)),
                })
                .collect();
            store.commit(&changes)
        }
        Op::Clear => store.clear(),
        Op::Tidy => store.tidy(),
        Op::Reopen => Ok(()),
    }
}

/// Reads one setting from a store over any flash.
pub(super) fn get<F: NorFlash, const PLACES: usize>(
    store: &mut Store<F, PLACES>,
    key: &str,
    out: &mut Vec<u8>,
) -> Result<bool, Error<F::Error>> {
    out.resize(out.capacity().max(64), 0);
    loop {
        match store.get(key, out).map(|value| value.map(<[u8]>::len)) {
            Ok(Some(len)) => {
                out.truncate(len);
                return Ok(true);
            }
            Ok(None) => {
                out.clear();
                return Ok(false);
            }
            Err(Error::BufferTooSmall { needed }) => out.resize(needed, 0),
            Err(error) => return Err(error),
        }
    }
}

fn trouble(error: Error<PartError>) -> Trouble {
    match error {
        Error::Flash(PartError::PowerOff) => Trouble::PowerOff,
        error => trouble_of(&error),
    }
}

/// Converts an error of the store, other than the report that the power is off.
pub(super) fn trouble_of<E: Debug>(error: &Error<E>) -> Trouble {
    match error {
        Error::Full => Trouble::Full,
        Error::Corrupt => Trouble::Corrupt,
        Error::InvalidKey | Error::TooLarge | Error::IndexFull => {
            Trouble::Refused(error.to_string())
        }
        error => Trouble::Broken(error.to_string()),
    }
}
