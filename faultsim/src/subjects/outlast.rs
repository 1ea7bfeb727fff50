//! Outlast itself under the rig.

use outlast_kvstore::{Change as StoreChange, Error, Layout, Store};

use crate::device::{Nor, Part, PartError};
use crate::subject::{Change, Op, Subject, Trouble};
use crate::workload::KeyNames;

/// Most live keys a store under test has.
const KEYS: usize = 64;

/// The store of `outlast-kvstore`, with 64 places for keys.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Outlast;

/// A running store; one variant per program unit, since the flash traits fix it at compile time.
#[derive(Debug)]
#[expect(missing_docs, reason = "the numbers are the program units")]
pub enum Running {
    Unit1(Store<Nor<1, 1>, KEYS>),
    Unit2(Store<Nor<1, 2>, KEYS>),
    Unit4(Store<Nor<4, 4>, KEYS>),
    Unit8(Store<Nor<8, 8>, KEYS>),
    Unit16(Store<Nor<4, 16>, KEYS>),
    Unit32(Store<Nor<8, 32>, KEYS>),
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

impl Subject for Outlast {
    type Store = Running;

    fn name(&self) -> &'static str {
        "outlast"
    }

    fn open(&self, part: &Part) -> Result<Running, Trouble> {
        let geometry = part.chip().geometry();
        let layout = Layout::serial_nor()
            .with_sector_bytes(geometry.sector_bytes)
            .with_page_bytes(geometry.page);
        Ok(match geometry.unit {
            1 => Running::Unit1(Store::open(part.nor(), layout).map_err(trouble)?),
            2 => Running::Unit2(Store::open(part.nor(), layout).map_err(trouble)?),
            4 => Running::Unit4(Store::open(part.nor(), layout).map_err(trouble)?),
            8 => Running::Unit8(Store::open(part.nor(), layout).map_err(trouble)?),
            16 => Running::Unit16(Store::open(part.nor(), layout).map_err(trouble)?),
            32 => Running::Unit32(Store::open(part.nor(), layout).map_err(trouble)?),
            unit => return Err(Trouble::Broken(format!("no store for a unit of {unit} bytes"))),
        })
    }

    fn apply(&self, store: &mut Running, op: &Op, keys: &KeyNames) -> Result<(), Trouble> {
        with_store!(store, store => match op {
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
        .map_err(trouble))
    }

    fn get(&self, store: &mut Running, key: &str, out: &mut Vec<u8>) -> Result<bool, Trouble> {
        out.resize(out.capacity().max(64), 0);
        loop {
            let result = with_store!(store, store => {
                store.get(key, out).map(|value| value.map(<[u8]>::len))
            });
            match result {
                Ok(Some(len)) => {
                    out.truncate(len);
                    return Ok(true);
                }
                Ok(None) => {
                    out.clear();
                    return Ok(false);
                }
                Err(Error::BufferTooSmall { needed }) => out.resize(needed, 0),
                Err(error) => return Err(trouble(error)),
            }
        }
    }

    fn list(
        &self,
        store: &mut Running,
        each: &mut dyn FnMut(&[u8]),
    ) -> Option<Result<(), Trouble>> {
        Some(with_store!(store, store => {
            store.for_each_key(|key, _| each(key)).map_err(trouble)
        }))
    }
}

fn trouble(error: Error<PartError>) -> Trouble {
    match error {
        Error::Flash(PartError::PowerOff) => Trouble::PowerOff,
        Error::Full => Trouble::Full,
        Error::Corrupt => Trouble::Corrupt,
        Error::InvalidKey | Error::TooLarge | Error::IndexFull => {
            Trouble::Refused(error.to_string())
        }
        error => Trouble::Broken(error.to_string()),
    }
}
