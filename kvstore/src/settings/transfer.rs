//! Export and import of declared settings as bytes, on the device or on the host.
//!
//! An export is a sequence of entries, without a header. Each entry is, in the postcard format, the
//! key as a string and the stored value (with its fingerprint) as a byte array. A setting that has
//! its default has no entry.

use core::convert::Infallible;
use core::fmt;

use embedded_storage::nor_flash::NorFlash;
use heapless::Vec;

use super::encode::encode;
use super::error::{SettingError, Why};
use super::readable::Readable;
use super::setting::{Setting, Value};
use crate::{Change, Error, Store};

/// A setting of any type, for a list of all settings of a device:
/// `const ALL: [&dyn Declared; 2] = [&CHANNEL, &ALARM];`
pub trait Declared: sealed::Sealed {
    /// The key.
    fn key(&self) -> &'static str;

    /// Checks that these stored bytes are an allowed value of the declared type.
    ///
    /// # Errors
    /// [`Why::OtherType`], [`Why::Undecodable`], [`Why::OutOfRange`], [`Why::TooLong`].
    fn check(&self, stored: &[u8]) -> Result<(), Why<Infallible>>;

    /// The value of stored bytes, or the default, as JSON.
    #[cfg(feature = "json")]
    #[doc(hidden)]
    fn to_json(&self, stored: Option<&[u8]>) -> Result<std::string::String, Why<Infallible>>;

    /// The bytes to store for a value in JSON.
    #[cfg(feature = "json")]
    #[doc(hidden)]
    fn stored_from_json(
        &self,
        value: serde_json::Value,
    ) -> Result<std::vec::Vec<u8>, Why<Infallible>>;
}

mod sealed {
    pub trait Sealed {}

    impl<T, const BYTES: usize> Sealed for super::Setting<T, BYTES> {}
}

impl fmt::Debug for dyn Declared + '_ {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.key())
    }
}

impl<T: Value, const BYTES: usize> Declared for Setting<T, BYTES> {
    fn key(&self) -> &'static str {
        Self::key(self)
    }

    fn check(&self, stored: &[u8]) -> Result<(), Why<Infallible>> {
        if stored.len() > BYTES {
            return Err(Why::TooLong { limit: BYTES });
        }
        self.decode(stored).map(|_| ())
    }

    #[cfg(feature = "json")]
    fn to_json(&self, stored: Option<&[u8]>) -> Result<std::string::String, Why<Infallible>> {
        super::json_value::encode(self, stored)
    }

    #[cfg(feature = "json")]
    fn stored_from_json(
        &self,
        value: serde_json::Value,
    ) -> Result<std::vec::Vec<u8>, Why<Infallible>> {
        super::json_value::decode(self, value)
    }
}

/// The content of an entry: key and stored value.
type Entry<'a> = (&'a str, &'a [u8]);

/// Exports the settings of a list. Calls `each` with an entry for each setting that has a stored
/// value. `stored` and `entry` are scratch buffers: the first for the longest stored value, the
/// second for that value, its key and 4 bytes more.
///
/// Only the records are checked: a value of an older type is exported as it is. Flash work: a
/// [`Store::get`] per setting. Nothing is programmed.
///
/// # Errors
/// [`Why::TooLong`] if one of the buffers is too short. [`Why::Store`] as for [`Store::get`]. The
/// entries before the error have been passed to `each`.
pub fn export<S: Readable>(
    store: &mut S,
    settings: &[&dyn Declared],
    stored: &mut [u8],
    entry: &mut [u8],
    mut each: impl FnMut(&[u8]),
) -> Result<(), SettingError<S::Error>> {
    for setting in settings {
        let key = setting.key();
        let limit = stored.len().min(entry.len());
        let too_long = SettingError::new(key, Why::TooLong { limit });
        let value = match store.read(key, stored) {
            Ok(None) => continue,
            Ok(Some(value)) => value,
            Err(Error::BufferTooSmall { .. }) => return Err(too_long),
            Err(error) => return Err(SettingError::new(key, Why::Store(error))),
        };
        let content: Entry<'_> = (key, value);
        let Some(bytes) = encode(&content, entry) else { return Err(too_long) };
        each(bytes);
    }
    Ok(())
}

/// Why an import did nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum ImportError<E> {
    /// An entry names a key that no setting of the list has. The programmer must declare the
    /// setting, or leave it out of the export.
    Unknown {
        /// Number of the entry, from 0.
        entry: usize,
    },
    /// The bytes are not an export, or are cut short. The sender must send them again.
    Unreadable {
        /// Number of the entry, from 0.
        entry: usize,
    },
    /// The value of an entry was refused.
    Refused(SettingError<E>),
    /// There are more entries than there is room for. The programmer must raise `ENTRIES`, or
    /// import in parts.
    TooMany,
    /// An error of the store.
    Store(Error<E>),
}

impl<E: fmt::Debug> fmt::Display for ImportError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unknown { entry } => write!(f, "entry {entry} names no declared setting"),
            Self::Unreadable { entry } => write!(f, "entry {entry} cannot be read"),
            Self::Refused(error) => error.fmt(f),
            Self::TooMany => f.write_str("more entries than the import has room for"),
            Self::Store(error) => error.fmt(f),
        }
    }
}

impl<E: fmt::Debug> core::error::Error for ImportError<E> {}

/// Stores the entries of an export, all or none. There may be up to `ENTRIES` of them, and no more
/// than fit into one sector. Each must name a setting of the list and hold an allowed value of its
/// type. Settings without an entry stay as they are; call [`Setting::reset`] on them for an exact
/// copy. Returns the number of entries.
///
/// Flash work: as for [`Store::commit`]. A cut leaves everything stored or nothing.
///
/// # Errors
/// No error changes anything, except that after [`Error::Flash`] everything may have been stored.
pub fn import<F: NorFlash, const N: usize, const ENTRIES: usize>(
    store: &mut Store<F, N>,
    settings: &[&dyn Declared],
    bytes: &[u8],
) -> Result<usize, ImportError<F::Error>> {
    let mut changes: Vec<Change<'_>, ENTRIES> = Vec::new();
    let mut rest = bytes;
    while !rest.is_empty() {
        let entry = changes.len();
        let Ok(((key, value), left)) = postcard::take_from_bytes::<Entry<'_>>(rest) else {
            return Err(ImportError::Unreadable { entry });
        };
        rest = left;
        let Some(setting) = settings.iter().find(|setting| setting.key() == key) else {
            return Err(ImportError::Unknown { entry });
        };
        if let Err(why) = setting.check(value) {
            return Err(ImportError::Refused(SettingError::new(setting.key(), why.of_flash())));
        }
        changes.push(Change::put(key, value)).map_err(|_| ImportError::TooMany)?;
    }
    store.commit(&changes).map_err(ImportError::Store)?;
    Ok(changes.len())
}
