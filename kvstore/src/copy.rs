//! Copies a store into another one, so that a device can move its settings to another region or
//! layout in the field.

use core::fmt;

use embedded_storage::nor_flash::NorFlash;

use crate::error::Error;
use crate::flash::reader::KeyBytes;
use crate::format::record::{Kind, key_is_valid};
use crate::store::Store;

/// What [`Store::copy_to`] copied.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub struct CopySummary {
    /// Keys that were copied with their values.
    pub keys: usize,
    /// Those of them whose value was in doubt, see [`Store::is_doubtful`]. The copy does not know
    /// that.
    pub doubtful: usize,
    /// Records that could not be read. If the key of one could, [`Store::get`] of the copy returns
    /// [`Error::Corrupt`] for it as before; if not, the copy knows nothing of it.
    pub damaged: usize,
}

/// Why [`Store::copy_to`] did not copy everything. The other store has no marker then, so it does
/// not count, and the caller goes on with the present one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum CopyError<E, O> {
    /// An error of the store that was to be copied. [`Error::BufferTooSmall`] says how long a value
    /// is.
    Source(Error<E>),
    /// An error of the store that was to take the copy. After [`Error::Full`],
    /// [`Error::TooLarge`] and [`Error::IndexFull`] the programmer must choose a larger layout or
    /// index for it.
    Target(Error<O>),
    /// The other store holds something. The caller must [`format`](Store::format) or
    /// [`clear`](Store::clear) it before the copy.
    NotEmpty,
}

impl<E: fmt::Debug, O: fmt::Debug> fmt::Display for CopyError<E, O> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Source(error) => write!(f, "the store to copy: {error}"),
            Self::Target(error) => write!(f, "the store that takes the copy: {error}"),
            Self::NotEmpty => f.write_str("the store that takes the copy is not empty"),
        }
    }
}

impl<E: fmt::Debug, O: fmt::Debug> core::error::Error for CopyError<E, O> {}

impl<F: NorFlash, const N: usize> Store<F, N> {
    /// Copies everything into `other`, an empty store in another range or on another part. As the
    /// last thing it puts the key `marker` there, with an empty value: the copy counts if its
    /// marker is there. This store does not change, and a `marker` of an earlier move is not
    /// copied. `buffer` must take the longest value.
    ///
    /// # Which store counts
    ///
    /// A device that moves its settings from an old range to a new one decides so at each boot:
    ///
    /// 1. If a [`View`](crate::View) of the new range shows the marker, open a store there. If that
    ///    shows the marker too, it counts, and the old range is not looked at.
    /// 2. Else, if the old range holds a store, that one counts. Now [`format`](Store::format) the
    ///    new range, and copy. When the call has returned `Ok`, the new store counts. After an
    ///    error, or if there is no time for the move, go on with the old one.
    /// 3. Else, if both ranges are blank or hold foreign data, it is a new device: open or format
    ///    the new range, and put the marker there.
    ///
    /// Any other [`Found`](crate::Found), such as a newer format, is a reason to stop, not to
    /// format.
    ///
    /// The view alone is not enough: it cannot settle, so it may show a marker that was being put
    /// when the power failed, and not show it the next time. What a store showed once stays. Until
    /// then nothing may be written to the old range; after that it may be erased and used for
    /// other things.
    ///
    /// As long as the old range holds a store, the marker must stay: a factory reset by
    /// [`clear`](Store::clear) would bring the old settings back. Erase the old range before, or
    /// delete all keys but the marker instead.
    ///
    /// **The two ranges must not overlap.** A store uses all sectors of its range in turn, so there
    /// is no safe order of steps if they do, and no call can notice it. To grow over its own range,
    /// a store must move to a third range first.
    ///
    /// The example `grow` of the workspace is such a boot, with the power cut at every operation.
    ///
    /// # Cost
    ///
    /// Flash work: a [`get`](Self::get) here and a [`put`](Self::put) there for each key, and one
    /// `put` more. A cut leaves this store as it was, and the other one without its marker.
    ///
    /// # Errors
    /// [`CopyError`] says which store failed. None of them changes this store.
    pub fn copy_to<G: NorFlash, const M: usize, K: AsRef<[u8]> + ?Sized>(
        &mut self,
        other: &mut Store<G, M>,
        marker: &K,
        buffer: &mut [u8],
    ) -> Result<CopySummary, CopyError<F::Error, G::Error>> {
        self.core.readable().map_err(CopyError::Source)?;
        other.core.ready().map_err(CopyError::Target)?;
        if !key_is_valid(marker.as_ref()) {
            return Err(CopyError::Target(Error::InvalidKey));
        }
        if !other.entries.is_empty() {
            return Err(CopyError::NotEmpty);
        }
        let mut summary = CopySummary { keys: 0, doubtful: 0, damaged: 0 };
        for entry in &self.entries {
            let mut key: KeyBytes = [0; _];
            let found = self.core.read_item(*entry, &mut key, buffer);
            self.core.outcome_of_reading(Ok(())).map_err(CopyError::Source)?;
            let Some(found) = found else {
                summary.damaged += 1;
                continue;
            };
            let key = key.get(..found.header.key_len() as usize).unwrap_or(&[]);
            if key == marker.as_ref() {
                continue;
            }
            if found.header.kind() == Kind::Lost {
                summary.damaged += 1;
                let noted = other.core.append_lost(key, other.entries.as_mut_view());
                let result = if noted { Ok(()) } else { Err(Error::Full) };
                other.core.outcome(result).map_err(CopyError::Target)?;
                continue;
            }
            let needed = found.header.plain().value_len() as usize;
            let Some(value) = buffer.get(..needed) else {
                return Err(CopyError::Source(Error::BufferTooSmall { needed }));
            };
            other.put(key, value).map_err(CopyError::Target)?;
            summary.keys += 1;
            summary.doubtful += usize::from(self.core.is_doubtful(found.address));
        }
        other.put(marker, &[]).map_err(CopyError::Target)?;
        Ok(summary)
    }
}
