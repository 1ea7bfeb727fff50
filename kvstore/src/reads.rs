//! The calls of a store that only read.

use core::ops::ControlFlow;

use embedded_storage::nor_flash::NorFlash;

use crate::error::Error;
use crate::flash::reader::KeyBytes;
use crate::format::record::{Kind, RecordRef, key_is_valid};
use crate::store::Store;

/// A live key and its value, as [`Store::for_each_value`] passes them on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub struct Item<'a> {
    /// The key.
    pub key: &'a [u8],
    /// The value; `None` if the buffer has no room for it. That of a counter is its count, in 8
    /// bytes.
    pub value: Option<&'a [u8]>,
    /// Length of the value in bytes.
    pub value_len: usize,
    /// Whether a newer value may have been lost, see [`Usage::doubtful`](crate::Usage::doubtful).
    pub doubtful: bool,
}

/// Called with a record and what it says. Returns whether to go on.
type EachItem<'a> = dyn FnMut(RecordRef, Item<'_>) -> ControlFlow<()> + 'a;

impl<F: NorFlash, const N: usize> Store<F, N> {
    /// Reads the value of `key` into `buffer`. Returns `None` if there is no such key.
    ///
    /// Flash work: one read per 64 bytes of the record, and one more at each start of a page in it.
    /// If the part's read unit is above 1, each read that starts or ends within a unit takes up to
    /// two more. No byte of the record is read twice, unless a reading does not pass. Nothing is
    /// programmed.
    ///
    /// # Errors
    /// [`Error::BufferTooSmall`] says how much is needed. [`Error::Corrupt`] if the record does not
    /// pass its checks. [`Error::InvalidKey`], [`Error::Flash`], [`Error::ReopenNeeded`].
    pub fn get<'b, K: AsRef<[u8]> + ?Sized>(
        &mut self,
        key: &K,
        buffer: &'b mut [u8],
    ) -> Result<Option<&'b [u8]>, Error<F::Error>> {
        let key = key.as_ref();
        if !key_is_valid(key) {
            return Err(Error::InvalidKey);
        }
        self.core.readable()?;
        let len = self.core.load(key, self.entries.as_mut_view(), buffer);
        Ok(self.core.outcome_of_reading(len)?.and_then(|len| buffer.get(..len)))
    }

    /// The length of the value of `key` in bytes, or `None` if there is no such key. A counter has
    /// 8 bytes. Flash work: as [`get`](Self::get), since the record is checked whole.
    ///
    /// # Errors
    /// As [`get`](Self::get), but never [`Error::BufferTooSmall`].
    pub fn value_len<K: AsRef<[u8]> + ?Sized>(
        &mut self,
        key: &K,
    ) -> Result<Option<usize>, Error<F::Error>> {
        match self.get(key, &mut []) {
            Ok(value) => Ok(value.map(<[u8]>::len)),
            Err(Error::BufferTooSmall { needed }) => Ok(Some(needed)),
            Err(error) => Err(error),
        }
    }

    /// Whether there is a value under `key` that [`get`](Self::get) would return. Flash work: as
    /// `get`.
    ///
    /// # Errors
    /// As [`value_len`](Self::value_len). So a key whose value is lost is neither there nor not
    /// there: it is [`Error::Corrupt`]. After the next open, a key whose only record is damaged reads
    /// as absent: then ask [`is_doubtful`](Self::is_doubtful).
    pub fn contains<K: AsRef<[u8]> + ?Sized>(&mut self, key: &K) -> Result<bool, Error<F::Error>> {
        Ok(self.value_len(key)?.is_some())
    }

    /// Whether a newer value of `key` may have been lost: a record after its present one was found
    /// damaged by the last open, and the key of that could not be read for certain. A key that does
    /// not exist is in doubt if there is any such record, and so is a counter's count. A
    /// [`put`](Self::put) ends the doubt about its key. Moving the record to a new sector ends it
    /// too, since no room is kept there to note it: so ask after an open.
    ///
    /// Flash work: as [`get`](Self::get); none if [`usage`](Self::usage) says that nothing is in
    /// doubt.
    ///
    /// # Errors
    /// [`Error::InvalidKey`], [`Error::Flash`], [`Error::ReopenNeeded`].
    pub fn is_doubtful<K: AsRef<[u8]> + ?Sized>(
        &mut self,
        key: &K,
    ) -> Result<bool, Error<F::Error>> {
        let key = key.as_ref();
        if !key_is_valid(key) {
            return Err(Error::InvalidKey);
        }
        self.core.readable()?;
        let doubtful = self.core.key_is_doubtful(key, self.entries.as_mut_view());
        self.core.outcome_of_reading(Ok(doubtful))
    }

    /// Calls `each` with every key and the length of its value in bytes, in no particular order.
    /// Flash work: a [`get`](Self::get) per key. Nothing is programmed.
    ///
    /// # Errors
    /// [`Error::Corrupt`] if the record of some key is damaged; all others have been named then.
    /// [`Error::Flash`], [`Error::ReopenNeeded`].
    pub fn for_each_key(
        &mut self,
        mut each: impl FnMut(&[u8], usize),
    ) -> Result<(), Error<F::Error>> {
        self.each_item(&mut [], &mut |_, item| {
            each(item.key, item.value_len);
            ControlFlow::Continue(())
        })
    }

    /// Calls `each` with every key and its value, in no particular order, until it returns
    /// [`ControlFlow::Break`]. Returns what it broke off with, or `None` after the last key.
    ///
    /// Values are read into `buffer`. Of one that is longer, only the length is passed on. So with
    /// an empty buffer the call lists keys.
    ///
    /// Flash work: a [`get`](Self::get) per key, and two for a counter. Nothing is programmed.
    ///
    /// ```
    /// # mod flash { include!(concat!(env!("CARGO_MANIFEST_DIR"), "/src/doc_flash.rs")); }
    /// # use outlast_kvstore::{Layout, Store};
    /// # let mut store: Store<_, 64> = Store::open(flash::Flash::blank(), Layout::serial_nor())?;
    /// use core::ops::ControlFlow;
    ///
    /// store.put("radio.channel", &[11])?;
    /// let mut buffer = [0; 32];
    /// // Finds a setting whose value is 11.
    /// let found = store.for_each_value(&mut buffer, |item| match item.value {
    ///     Some([11]) => ControlFlow::Break(item.key.len()),
    ///     _ => ControlFlow::Continue(()),
    /// })?;
    /// assert_eq!(found, Some(13));
    /// # Ok::<(), outlast_kvstore::Error<flash::Never>>(())
    /// ```
    ///
    /// # Errors
    /// As [`for_each_key`](Self::for_each_key); a call that stopped early does not report
    /// [`Error::Corrupt`].
    pub fn for_each_value<B>(
        &mut self,
        buffer: &mut [u8],
        mut each: impl FnMut(Item<'_>) -> ControlFlow<B>,
    ) -> Result<Option<B>, Error<F::Error>> {
        let mut result = None;
        self.each_item(buffer, &mut |_, item| match each(item) {
            ControlFlow::Continue(()) => ControlFlow::Continue(()),
            ControlFlow::Break(why) => {
                result = Some(why);
                ControlFlow::Break(())
            }
        })?;
        Ok(result)
    }

    /// Calls `each` with every live record and what it says. Goes on past damaged ones, and reports
    /// them at the end.
    pub(crate) fn each_item(
        &mut self,
        buffer: &mut [u8],
        each: &mut EachItem<'_>,
    ) -> Result<(), Error<F::Error>> {
        self.core.readable()?;
        let mut damaged = false;
        for entry in &self.entries {
            let mut key: KeyBytes = [0; _];
            let found = self.core.read_item(*entry, &mut key, buffer);
            let Some(found) = found.filter(|found| found.header.kind() != Kind::Lost) else {
                damaged = true;
                continue;
            };
            let value_len = found.header.plain().value_len() as usize;
            let item = Item {
                key: key.get(..found.header.key_len() as usize).unwrap_or(&[]),
                value: buffer.get(..value_len),
                value_len,
                doubtful: self.core.is_doubtful(found.address),
            };
            if each(found, item).is_break() {
                damaged = false;
                break;
            }
        }
        self.core.outcome_of_reading(if damaged { Err(Error::Corrupt) } else { Ok(()) })
    }
}
