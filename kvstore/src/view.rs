//! A store that is only read.

use core::fmt;
use core::ops::ControlFlow;

use embedded_storage::nor_flash::NorFlash;

use crate::error::Error;
use crate::layout::Layout;
use crate::log::state::Access;
use crate::reads::Item;
use crate::store::{Store, Usage};

/// Reads a settings store and changes nothing: no call programs or erases anything, whatever the
/// flash holds. For boot loaders, for write-protected or worn parts, and for dumps.
///
/// A view shows what [`Store::open`] would find. But it cannot settle: if the power failed while a
/// store wrote, the last change may read differently at each power-up, and two views may differ in
/// whether it was made. It is made whole or not at all in each of them. As soon as a store was
/// opened, all views agree with it.
///
/// It works on a `&mut` to a flash, so the flash can be given back and a store opened on it. A
/// flash type that implements only
/// [`ReadNorFlash`](embedded_storage::nor_flash::ReadNorFlash) goes into a
/// [`ReadOnly`](crate::ReadOnly). While a view is in use, nothing else may write to its range: the
/// view would read the new bytes with the addresses of the old log.
///
/// ```
/// # mod flash { include!(concat!(env!("CARGO_MANIFEST_DIR"), "/src/doc_flash.rs")); }
/// # let mut flash = flash::Flash::blank();
/// use outlast_kvstore::{Layout, Store, View};
///
/// # let mut store: Store<_, 64> = Store::open(&mut flash, Layout::serial_nor())?;
/// # store.put("boot.slot", &[1])?;
/// let mut view: View<_, 64> = View::open(&mut flash, Layout::serial_nor())?;
/// let mut buffer = [0; 8];
/// assert_eq!(view.get("boot.slot", &mut buffer)?, Some(&[1][..]));
/// # Ok::<(), outlast_kvstore::Error<flash::Never>>(())
/// ```
pub struct View<F: NorFlash, const N: usize>(pub(crate) Store<F, N>);

impl<F: NorFlash + fmt::Debug, const N: usize> fmt::Debug for View<F, N> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("View").field(&self.0).finish()
    }
}

impl<F: NorFlash, const N: usize> View<F, N> {
    /// Reads the log of a store. Flash work: reads, as [`Store::open`] makes them.
    ///
    /// # Errors
    /// [`Error::Layout`]. [`Error::NotAStore`], with [`Found::Nothing`](crate::Found::Nothing) for
    /// a region in which `Store::open` would make a new store. [`Error::IndexFull`] if the store
    /// holds more than `N` keys. [`Error::Flash`] if nothing can be read.
    pub fn open(flash: F, layout: Layout) -> Result<Self, Error<F::Error>> {
        let mut result = Store::new(flash, &layout).map(Self);
        if let Ok(Self(store)) = &mut result
            && let Err(error) = store.core.mount(Access::Read, store.entries.as_mut_view())
        {
            result = Err(error);
        }
        result
    }

    /// As [`Store::get`].
    ///
    /// # Errors
    /// As [`Store::get`]. After [`Error::Flash`] the call may be repeated.
    pub fn get<'b, K: AsRef<[u8]> + ?Sized>(
        &mut self,
        key: &K,
        buffer: &'b mut [u8],
    ) -> Result<Option<&'b [u8]>, Error<F::Error>> {
        self.0.get(key, buffer)
    }

    /// As [`Store::contains`].
    ///
    /// # Errors
    /// As [`Store::contains`].
    pub fn contains<K: AsRef<[u8]> + ?Sized>(&mut self, key: &K) -> Result<bool, Error<F::Error>> {
        self.0.contains(key)
    }

    /// As [`Store::value_len`].
    ///
    /// # Errors
    /// As [`Store::value_len`].
    pub fn value_len<K: AsRef<[u8]> + ?Sized>(
        &mut self,
        key: &K,
    ) -> Result<Option<usize>, Error<F::Error>> {
        self.0.value_len(key)
    }

    /// As [`Store::is_doubtful`].
    ///
    /// # Errors
    /// As [`Store::is_doubtful`].
    pub fn is_doubtful<K: AsRef<[u8]> + ?Sized>(
        &mut self,
        key: &K,
    ) -> Result<bool, Error<F::Error>> {
        self.0.is_doubtful(key)
    }

    /// As [`Store::for_each_key`].
    ///
    /// # Errors
    /// As [`Store::for_each_key`].
    pub fn for_each_key(&mut self, each: impl FnMut(&[u8], usize)) -> Result<(), Error<F::Error>> {
        self.0.for_each_key(each)
    }

    /// As [`Store::for_each_value`].
    ///
    /// # Errors
    /// As [`Store::for_each_value`].
    pub fn for_each_value<B>(
        &mut self,
        buffer: &mut [u8],
        each: impl FnMut(Item<'_>) -> ControlFlow<B>,
    ) -> Result<Option<B>, Error<F::Error>> {
        self.0.for_each_value(buffer, each)
    }

    /// As [`Store::count`].
    ///
    /// # Errors
    /// As [`Store::count`].
    #[cfg(feature = "counters")]
    pub fn count<K: AsRef<[u8]> + ?Sized>(&mut self, key: &K) -> Result<u64, Error<F::Error>> {
        self.0.count(key)
    }

    /// As [`Store::usage`].
    pub fn usage(&self) -> Usage {
        self.0.usage()
    }

    /// Returns the flash.
    pub fn into_flash(self) -> F {
        self.0.into_flash()
    }
}
