//! The store with one interface for all program units, so that no test depends on a flash type.
//!
//! Calls that only a later version of the store has stand here and nowhere else.

use outlast_kvstore::embedded_storage::nor_flash::NorFlash;
use outlast_kvstore::{Change, Error, Ids, Store, View};

use crate::flash::{Ram, Refusal};
use crate::nor::Nor;

/// Why a call of the store failed.
pub(crate) type Failed = Error<Refusal>;

/// Room in the index. More than the tests have keys: a spare place lets a wrong name in.
const KEYS: usize = 16;

/// How many numbers `Ids` reserves at once.
pub(crate) const AHEAD: u32 = 3;

/// A store that is open.
pub(crate) trait Session {
    fn get(&mut self, key: &str) -> Result<Option<Vec<u8>>, Failed>;
    fn put(&mut self, key: &str, value: &[u8]) -> Result<(), Failed>;
    fn delete(&mut self, key: &str) -> Result<bool, Failed>;
    fn commit(&mut self, changes: &[Change<'_>]) -> Result<(), Failed>;
    fn tick(&mut self, key: &str) -> Result<u64, Failed>;
    /// Takes a number from the source, which it opens first if it is not open yet.
    fn next_id(&mut self, ids: &mut Option<Ids<AHEAD>>, key: &'static str) -> Result<u64, Failed>;
    fn tidy(&mut self) -> Result<(), Failed>;
    fn rest(&mut self) -> Result<(), Failed>;
    /// All names, in any order.
    fn names(&mut self) -> Result<Vec<Vec<u8>>, Failed>;
    fn compactions(&self) -> u32;
    /// Whether the store says that its answer may be older than what was acknowledged.
    fn is_doubtful(&mut self, key: &str) -> bool;
}

/// Whether the store can rest: whether a power-up after that programs nothing.
pub(crate) const RESTS: bool = true;

/// The calls that a store and a view have in common.
macro_rules! reads {
    () => {
        fn get(&mut self, key: &str) -> Result<Option<Vec<u8>>, Failed> {
            Ok(Self::get(self, key, &mut [0; 512])?.map(<[u8]>::to_vec))
        }

        fn names(&mut self) -> Result<Vec<Vec<u8>>, Failed> {
            let mut names = Vec::new();
            self.for_each_key(|key, _| names.push(key.to_vec()))?;
            Ok(names)
        }

        fn compactions(&self) -> u32 {
            self.usage().compactions
        }

        fn is_doubtful(&mut self, key: &str) -> bool {
            Self::is_doubtful(self, key).unwrap_or(true)
        }
    };
}

impl<F: NorFlash<Error = Refusal>> Session for Store<F, KEYS> {
    reads!();

    fn put(&mut self, key: &str, value: &[u8]) -> Result<(), Failed> {
        Self::put(self, key, value)
    }

    fn delete(&mut self, key: &str) -> Result<bool, Failed> {
        Self::delete(self, key)
    }

    fn commit(&mut self, changes: &[Change<'_>]) -> Result<(), Failed> {
        Self::commit(self, changes)
    }

    fn tick(&mut self, key: &str) -> Result<u64, Failed> {
        Self::tick(self, key)
    }

    fn next_id(&mut self, ids: &mut Option<Ids<AHEAD>>, key: &'static str) -> Result<u64, Failed> {
        let mut open = match ids.take() {
            Some(open) => open,
            None => Ids::open(self, key)?,
        };
        let result = open.next(self);
        *ids = Some(open);
        result
    }

    fn tidy(&mut self) -> Result<(), Failed> {
        Self::tidy(self)
    }

    fn rest(&mut self) -> Result<(), Failed> {
        Self::rest(self)?;
        Ok(())
    }
}

/// A store that can only be read, since the flash does not take what an open must program.
impl<F: NorFlash<Error = Refusal>> Session for View<F, KEYS> {
    reads!();

    fn put(&mut self, _: &str, _: &[u8]) -> Result<(), Failed> {
        Err(Error::Worn)
    }

    fn delete(&mut self, _: &str) -> Result<bool, Failed> {
        Err(Error::Worn)
    }

    fn commit(&mut self, _: &[Change<'_>]) -> Result<(), Failed> {
        Err(Error::Worn)
    }

    fn tick(&mut self, _: &str) -> Result<u64, Failed> {
        Err(Error::Worn)
    }

    fn next_id(&mut self, _: &mut Option<Ids<AHEAD>>, _: &'static str) -> Result<u64, Failed> {
        Err(Error::Worn)
    }

    fn tidy(&mut self) -> Result<(), Failed> {
        Err(Error::Worn)
    }

    fn rest(&mut self) -> Result<(), Failed> {
        Err(Error::Worn)
    }
}

/// Opens the store, or a view of it if the flash does not take what that must program.
pub(crate) fn open(ram: &Ram) -> Result<Box<dyn Session + '_>, Failed> {
    make(ram, false)
}

/// Makes a new store, whatever the flash holds.
pub(crate) fn format(ram: &Ram) -> Result<Box<dyn Session + '_>, Failed> {
    make(ram, true)
}

/// With a read unit that fits the program unit.
fn make(ram: &Ram, anew: bool) -> Result<Box<dyn Session + '_>, Failed> {
    match ram.shape.unit {
        1 => boxed(Nor::<1, 1>(ram), ram, anew),
        4 => boxed(Nor::<4, 4>(ram), ram, anew),
        8 => boxed(Nor::<1, 8>(ram), ram, anew),
        32 => boxed(Nor::<8, 32>(ram), ram, anew),
        unit => panic!("no flash with a unit of {unit}"),
    }
}

fn boxed<'r, F: NorFlash<Error = Refusal> + Copy + 'r>(
    flash: F,
    ram: &Ram,
    anew: bool,
) -> Result<Box<dyn Session + 'r>, Failed> {
    let layout = ram.shape.layout();
    if anew {
        return Ok(Box::new(Store::<F, KEYS>::format(flash, layout)?));
    }
    match Store::<F, KEYS>::open(flash, layout) {
        Err(Error::Worn | Error::Flash(Refusal::WornOut(_))) => {}
        result => return Ok(Box::new(result?)),
    }
    Ok(Box::new(View::<F, KEYS>::open(flash, ram.shape.layout())?))
}
