//! The real store on an image. The program unit becomes known only with the image, while the flash
//! traits fix it at compile time.

use embedded_storage::nor_flash::NorFlashErrorKind;
use outlast_kvstore::{Change, Error, Store, Usage};

use crate::flash::{Ram, Step};
use crate::shape::Shape;

/// The most live keys an image can have.
pub const KEYS: usize = 8192;

/// An error of the store on a flash in memory.
pub type StoreError = Error<NorFlashErrorKind>;

/// A mounted image.
pub struct Mounted(Box<dyn AnyUnit>);

impl std::fmt::Debug for Mounted {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_tuple("Mounted").field(&self.0.usage()).finish()
    }
}

/// The store's calls without its types.
trait AnyUnit {
    fn get(&mut self, key: &[u8], buffer: &mut [u8]) -> Result<Option<usize>, StoreError>;
    fn commit(&mut self, changes: &[Change<'_>]) -> Result<(), StoreError>;
    fn delete(&mut self, key: &[u8]) -> Result<bool, StoreError>;
    fn keys(&mut self, each: &mut dyn FnMut(&[u8])) -> Result<(), StoreError>;
    fn rest(&mut self) -> Result<(), StoreError>;
    fn usage(&self) -> Usage;
    fn into_parts(self: Box<Self>) -> (Vec<u8>, Vec<Step>);
}

impl<const UNIT: usize> AnyUnit for Store<Ram<UNIT>, KEYS> {
    fn get(&mut self, key: &[u8], buffer: &mut [u8]) -> Result<Option<usize>, StoreError> {
        Self::get(self, key, buffer).map(|value| value.map(<[u8]>::len))
    }

    fn commit(&mut self, changes: &[Change<'_>]) -> Result<(), StoreError> {
        Self::commit(self, changes)
    }

    fn delete(&mut self, key: &[u8]) -> Result<bool, StoreError> {
        Self::delete(self, key)
    }

    fn keys(&mut self, each: &mut dyn FnMut(&[u8])) -> Result<(), StoreError> {
        self.for_each_key(|key, _| each(key))
    }

    fn rest(&mut self) -> Result<(), StoreError> {
        Self::rest(self)
    }

    fn usage(&self) -> Usage {
        Self::usage(self)
    }

    fn into_parts(self: Box<Self>) -> (Vec<u8>, Vec<Step>) {
        self.into_flash().into_parts()
    }
}

impl Mounted {
    /// Opens the store in `region` as a device would, which makes a new store in a blank region.
    ///
    /// # Errors
    /// Those of [`Store::open`].
    pub fn open(region: Vec<u8>, shape: &Shape) -> Result<Self, StoreError> {
        Self::start(region, shape, &[], false)
    }

    /// Makes an empty store over whatever `region` holds.
    ///
    /// # Errors
    /// Those of [`Store::format`].
    pub fn format(region: Vec<u8>, shape: &Shape) -> Result<Self, StoreError> {
        Self::start(region, shape, &[], true)
    }

    /// The same, where these sectors cannot be erased.
    pub(crate) fn open_worn(
        region: Vec<u8>,
        shape: &Shape,
        sectors: &[u32],
    ) -> Result<Self, StoreError> {
        let sectors: Vec<u32> = sectors.iter().map(|sector| sector * shape.sector_bytes).collect();
        Self::start(region, shape, &sectors, false)
    }

    fn start(
        region: Vec<u8>,
        shape: &Shape,
        worn: &[u32],
        format: bool,
    ) -> Result<Self, StoreError> {
        fn boxed<const UNIT: usize>(
            region: Vec<u8>,
            shape: &Shape,
            worn: &[u32],
            format: bool,
        ) -> Result<Mounted, StoreError> {
            let flash = Ram::<UNIT>::recording_worn(region, worn.to_vec());
            let start = if format { Store::format } else { Store::open };
            let store: Store<Ram<UNIT>, KEYS> = start(flash, shape.layout())?;
            Ok(Mounted(Box::new(store)))
        }
        match shape.unit {
            1 => boxed::<1>(region, shape, worn, format),
            2 => boxed::<2>(region, shape, worn, format),
            4 => boxed::<4>(region, shape, worn, format),
            8 => boxed::<8>(region, shape, worn, format),
            16 => boxed::<16>(region, shape, worn, format),
            32 => boxed::<32>(region, shape, worn, format),
            _ => Err(Error::Layout("the program unit must be a power of two up to 32 bytes")),
        }
    }

    /// The value of `key`.
    ///
    /// # Errors
    /// Those of [`Store::get`].
    pub fn get(&mut self, key: &[u8]) -> Result<Option<Vec<u8>>, StoreError> {
        let mut buffer = vec![0; 256];
        loop {
            match self.0.get(key, &mut buffer) {
                Err(Error::BufferTooSmall { needed }) => buffer.resize(needed, 0),
                Err(error) => return Err(error),
                Ok(None) => return Ok(None),
                Ok(Some(len)) => {
                    buffer.truncate(len);
                    return Ok(Some(buffer));
                }
            }
        }
    }

    /// Stores a value.
    ///
    /// # Errors
    /// Those of [`Store::put`].
    pub fn put(&mut self, key: &[u8], value: &[u8]) -> Result<(), StoreError> {
        self.0.commit(&[Change::put(key, value)])
    }

    /// Makes all changes or none.
    ///
    /// # Errors
    /// Those of [`Store::commit`].
    pub fn commit(&mut self, changes: &[Change<'_>]) -> Result<(), StoreError> {
        self.0.commit(changes)
    }

    /// Deletes a key. Returns whether it existed.
    ///
    /// # Errors
    /// Those of [`Store::delete`].
    pub fn delete(&mut self, key: &[u8]) -> Result<bool, StoreError> {
        self.0.delete(key)
    }

    /// All keys, sorted.
    ///
    /// # Errors
    /// Those of [`Store::for_each_key`].
    pub fn keys(&mut self) -> Result<Vec<Vec<u8>>, StoreError> {
        let mut keys = Vec::new();
        self.0.keys(&mut |key| keys.push(key.to_vec()))?;
        keys.sort();
        Ok(keys)
    }

    /// Lets the log rest, so that the next power-up need not program anything before it reads.
    ///
    /// # Errors
    /// Those of [`Store::rest`].
    pub fn rest(&mut self) -> Result<(), StoreError> {
        self.0.rest()
    }

    /// How full and how worn it is.
    #[must_use]
    pub fn usage(&self) -> Usage {
        self.0.usage()
    }

    /// The image as it is now, and the programs and erases since it was opened.
    #[must_use]
    pub fn into_parts(self) -> (Vec<u8>, Vec<Step>) {
        self.0.into_parts()
    }
}
