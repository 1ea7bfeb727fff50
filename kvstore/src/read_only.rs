//! Lets a flash that can only be read stand where the store asks for one that can be written.

use core::fmt;

use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash,
};

/// A flash whose type implements only [`ReadNorFlash`], for a [`View`](crate::View). Programs and
/// erases fail, and do not reach the flash.
///
/// `UNIT` is the program unit of the store in bytes: the `WRITE_SIZE` of the driver that the store
/// is written with. A flash type cannot know it if it only reads. With another unit,
/// [`View::open`](crate::View::open) finds another layout.
///
/// ```
/// # mod flash { include!(concat!(env!("CARGO_MANIFEST_DIR"), "/src/doc_flash.rs")); }
/// # let mut flash = flash::Flash::blank();
/// use outlast_kvstore::{Layout, ReadOnly, Store, View};
///
/// # let store: Store<_, 64> = Store::open(&mut flash, Layout::serial_nor())?;
/// # drop(store);
/// let view: View<_, 64> = View::open(ReadOnly::<_, 1>::new(flash), Layout::serial_nor())
///     .expect("a store");
/// assert_eq!(view.usage().keys, 0);
/// # Ok::<(), outlast_kvstore::Error<flash::Never>>(())
/// ```
#[derive(Clone, Copy, Debug)]
pub struct ReadOnly<F, const UNIT: usize>(F);

/// An error of a [`ReadOnly`] flash.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum ReadOnlyError<E> {
    /// The driver failed to read.
    Flash(E),
    /// Something was to be programmed or erased. A [`View`](crate::View) never does that. The
    /// programmer must use a flash type that can be written.
    ReadOnly,
}

impl<E: fmt::Debug> fmt::Display for ReadOnlyError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Flash(error) => write!(f, "the flash driver failed: {error:?}"),
            Self::ReadOnly => f.write_str("this flash can only be read"),
        }
    }
}

impl<E: fmt::Debug> core::error::Error for ReadOnlyError<E> {}

impl<E: NorFlashError> NorFlashError for ReadOnlyError<E> {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::Flash(error) => error.kind(),
            Self::ReadOnly => NorFlashErrorKind::Other,
        }
    }
}

impl<F, const UNIT: usize> ReadOnly<F, UNIT> {
    /// Wraps a flash.
    pub const fn new(flash: F) -> Self {
        Self(flash)
    }

    /// Returns the flash.
    pub fn into_inner(self) -> F {
        self.0
    }
}

impl<F: ErrorType, const UNIT: usize> ErrorType for ReadOnly<F, UNIT> {
    type Error = ReadOnlyError<F::Error>;
}

impl<F: ReadNorFlash, const UNIT: usize> ReadNorFlash for ReadOnly<F, UNIT> {
    const READ_SIZE: usize = F::READ_SIZE;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
        self.0.read(offset, bytes).map_err(ReadOnlyError::Flash)
    }

    fn capacity(&self) -> usize {
        self.0.capacity()
    }
}

impl<F: ReadNorFlash, const UNIT: usize> NorFlash for ReadOnly<F, UNIT> {
    const WRITE_SIZE: usize = UNIT;
    const ERASE_SIZE: usize = 1;

    fn erase(&mut self, _: u32, _: u32) -> Result<(), Self::Error> {
        Err(ReadOnlyError::ReadOnly)
    }

    fn write(&mut self, _: u32, _: &[u8]) -> Result<(), Self::Error> {
        Err(ReadOnlyError::ReadOnly)
    }
}
