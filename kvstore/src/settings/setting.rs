//! One declared setting: load, save, migrate.

use embedded_storage::nor_flash::NorFlash;
use postcard_schema::Schema;
use serde::Serialize;
use serde::de::DeserializeOwned;

use super::encode::encode;
use super::error::{SettingError, Why};
use super::fingerprint::fingerprint;
use super::readable::Readable;
use crate::{Error, Store};

/// Bytes of the fingerprint before a stored value.
pub(crate) const TAG: usize = 4;

/// A type that a setting can have: anything that derives serde's traits and
/// `postcard_schema::Schema`.
pub trait Value: Serialize + DeserializeOwned + Schema {}

impl<T: Serialize + DeserializeOwned + Schema> Value for T {}

/// The declaration of a setting. Make it a constant, and use it wherever you mean the setting.
///
/// `BYTES` is the most that a stored value may take, including the fingerprint of 4 bytes. Each
/// call has a buffer of this size on the stack. An integer takes up to one byte more than its size.
#[derive(Debug)]
pub struct Setting<T, const BYTES: usize = 64> {
    key: &'static str,
    default: fn() -> T,
    allowed: &'static str,
    accepts: fn(&T) -> bool,
}

/// A value and where it comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub struct Loaded<T> {
    /// The value.
    pub value: T,
    /// Where it comes from.
    pub source: Source,
    /// Whether a newer value may have been lost, because of damage to a record whose key cannot be
    /// read for certain: see [`Store::is_doubtful`]. The caller decides whether to use the value,
    /// and may save one, which ends the doubt.
    pub doubtful: bool,
}

/// Where a loaded value comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Source {
    /// A value is stored, but damaged, so it is the default. Only
    /// [`load_or_default`](Setting::load_or_default) gives it; [`load`](Setting::load) returns
    /// [`Error::Corrupt`].
    Damaged,
    /// Nothing is stored, so it is the default. With an error beside it, what is stored cannot be
    /// used.
    Default,
    /// The value was stored as another type. This load has stored the new value.
    Migrated,
    /// The value was stored.
    Stored,
}

impl<T, const BYTES: usize> Setting<T, BYTES> {
    /// Declares a setting under `key`, with the value that it has as long as none is stored. The
    /// key must have 1 to 64 bytes, else every call reports [`Error::InvalidKey`]. Touches no
    /// flash.
    #[must_use]
    pub const fn new(key: &'static str, default: fn() -> T) -> Self {
        Self { key, default, allowed: "", accepts: |_| true }
    }

    /// Restricts the values. `accepts` says whether a value is allowed, and the text says which
    /// values are, for error messages. The default is not checked.
    #[must_use]
    pub const fn checked(mut self, allowed: &'static str, accepts: fn(&T) -> bool) -> Self {
        self.allowed = allowed;
        self.accepts = accepts;
        self
    }

    /// The key.
    #[must_use]
    pub const fn key(&self) -> &'static str {
        self.key
    }

    /// The default: the value as long as none is stored.
    #[must_use]
    pub fn default_value(&self) -> T {
        (self.default)()
    }

    /// Whether `value` may be stored.
    #[must_use]
    pub fn accepts(&self, value: &T) -> bool {
        (self.accepts)(value)
    }

    /// Deletes the stored value, so that the default applies again. Returns whether there was one.
    /// Flash work: as for [`Store::delete`]. A cut leaves the old value or none.
    ///
    /// # Errors
    /// [`Why::Store`], as for [`Store::delete`].
    pub fn reset<F: NorFlash, const N: usize>(
        &self,
        store: &mut Store<F, N>,
    ) -> Result<bool, SettingError<F::Error>> {
        store.delete(self.key).map_err(|error| self.error(Why::Store(error)))
    }

    pub(crate) const fn error<E>(&self, why: Why<E>) -> SettingError<E> {
        SettingError::new(self.key, why)
    }
}

impl<T: Value, const BYTES: usize> Setting<T, BYTES> {
    /// The fingerprint before a stored value, which tells types apart.
    pub const FINGERPRINT: u32 = fingerprint::<T>();

    /// Loads the stored value, or else the default, and says which of them it is. Flash work: as
    /// for [`Store::get`], and a second time if [`Usage`](crate::Usage) says that anything is in
    /// doubt. Nothing is programmed, so a cut changes nothing. `store` may be a
    /// [`View`](crate::View).
    ///
    /// # Errors
    /// [`Why::OtherType`], [`Why::Undecodable`], [`Why::OutOfRange`] and [`Why::TooLong`] are about
    /// what is stored. [`Why::Store`] as for [`Store::get`], with [`Error::Corrupt`] if the record
    /// is damaged. What is stored stays as it is.
    pub fn load<S: Readable>(&self, store: &mut S) -> Result<Loaded<T>, SettingError<S::Error>> {
        let mut buffer = [0; BYTES];
        let Stored { bytes, doubtful } = self.stored(store, &mut buffer)?;
        let Some(bytes) = bytes else { return Ok(self.default_loaded(doubtful)) };
        let value = self.decode(bytes).map_err(|why| self.error(why))?;
        Ok(Loaded { value, source: Source::Stored, doubtful })
    }

    /// Loads a value to work with in any case: the stored one or, if that is not available, the
    /// default and the reason, one of the errors of [`load`](Self::load). It is for devices that
    /// must start whatever is stored. Flash work: as for [`Store::get`]. Nothing is programmed.
    pub fn load_or_default<S: Readable>(
        &self,
        store: &mut S,
    ) -> (Loaded<T>, Option<SettingError<S::Error>>) {
        match self.load(store) {
            Ok(loaded) => (loaded, None),
            Err(error) => {
                let mut loaded = self.default_loaded(false);
                if matches!(error.why, Why::Store(Error::Corrupt)) {
                    loaded.source = Source::Damaged;
                }
                (loaded, Some(error))
            }
        }
    }

    /// As [`load`](Self::load), but if a value of another type is stored, `migrate` turns it into a
    /// new value, which is stored before the call returns. If `migrate` returns `None`, the error
    /// is that of `load`, and nothing is changed.
    ///
    /// A cut leaves the old value or the new one, whole. After the old one, the next load migrates
    /// again, so the closure must depend on nothing but the old value. `BYTES` must be enough for
    /// the old value, too. Flash work: as for [`Store::get`], and a [`Store::put`] if it migrates.
    ///
    /// # Errors
    /// As [`load`](Self::load) and [`save`](Self::save). If the new value cannot be saved, the old
    /// one stays.
    pub fn load_migrating<F: NorFlash, const N: usize>(
        &self,
        store: &mut Store<F, N>,
        migrate: impl FnOnce(&Old<'_>) -> Option<T>,
    ) -> Result<Loaded<T>, SettingError<F::Error>> {
        let mut buffer = [0; BYTES];
        let Stored { bytes, doubtful } = self.stored(store, &mut buffer)?;
        let Some(bytes) = bytes else { return Ok(self.default_loaded(doubtful)) };
        match self.decode(bytes) {
            Ok(value) => Ok(Loaded { value, source: Source::Stored, doubtful }),
            Err(why @ Why::OtherType { .. }) => {
                let value = migrate(&Old { bytes }).ok_or_else(|| self.error(why))?;
                self.save(store, &value)?;
                Ok(Loaded { value, source: Source::Migrated, doubtful })
            }
            Err(why) => Err(self.error(why)),
        }
    }

    /// Stores `value`. It is durable when the call returns; a cut before that leaves the old value
    /// or the new one. Flash work: as for [`Store::put`], with 4 bytes more than the encoded value.
    /// Nothing is programmed if the value is stored already.
    ///
    /// # Errors
    /// [`Why::OutOfRange`] and [`Why::TooLong`] change nothing. The latter is also reported for a
    /// value that the format cannot encode: a sequence of unknown length. [`Why::Store`] as for
    /// [`Store::put`].
    pub fn save<F: NorFlash, const N: usize>(
        &self,
        store: &mut Store<F, N>,
        value: &T,
    ) -> Result<(), SettingError<F::Error>> {
        let mut buffer = [0; BYTES];
        let bytes = self.encode(value, &mut buffer).map_err(|why| self.error(why))?;
        store.put(self.key, bytes).map_err(|error| self.error(Why::Store(error)))
    }

    /// The bytes to store.
    pub(crate) fn encode<'b, E>(
        &self,
        value: &T,
        buffer: &'b mut [u8],
    ) -> Result<&'b [u8], Why<E>> {
        if !self.accepts(value) {
            return Err(Why::OutOfRange { allowed: self.allowed });
        }
        // A longer value could not be loaded again.
        let limit = buffer.len().min(BYTES);
        let buffer = buffer.get_mut(..limit).unwrap_or(&mut []);
        let too_long = Why::TooLong { limit };
        let Some((tag, rest)) = buffer.split_first_chunk_mut::<TAG>() else {
            return Err(too_long);
        };
        *tag = Self::FINGERPRINT.to_le_bytes();
        let Some(written) = encode(value, rest) else { return Err(too_long) };
        let len = TAG + written.len();
        buffer.get(..len).ok_or(Why::TooLong { limit })
    }

    /// Decodes stored bytes, and checks the value.
    pub(crate) fn decode<E>(&self, bytes: &[u8]) -> Result<T, Why<E>> {
        let value = match (Old { bytes }).parts() {
            Some((tag, value)) if tag == Self::FINGERPRINT => value,
            parts => {
                let stored = parts.map(|(tag, _)| tag);
                return Err(Why::OtherType { stored, declared: Self::FINGERPRINT });
            }
        };
        let value = whole(value).ok_or(Why::Undecodable)?;
        if !self.accepts(&value) {
            return Err(Why::OutOfRange { allowed: self.allowed });
        }
        Ok(value)
    }

    fn default_loaded(&self, doubtful: bool) -> Loaded<T> {
        Loaded { value: self.default_value(), source: Source::Default, doubtful }
    }

    fn stored<'b, S: Readable>(
        &self,
        store: &mut S,
        buffer: &'b mut [u8; BYTES],
    ) -> Result<Stored<'b>, SettingError<S::Error>> {
        let stored = store.read(self.key, buffer);
        let doubtful = store.is_in_doubt(self.key);
        match (stored, doubtful) {
            (Ok(bytes), Ok(doubtful)) => Ok(Stored { bytes, doubtful }),
            (Err(Error::BufferTooSmall { .. }), _) => {
                Err(self.error(Why::TooLong { limit: BYTES }))
            }
            (Err(error), _) | (_, Err(error)) => Err(self.error(Why::Store(error))),
        }
    }
}

/// What is stored under the key of a setting, and whether that is in doubt.
struct Stored<'b> {
    bytes: Option<&'b [u8]>,
    doubtful: bool,
}

/// What is stored under the key of a setting that now has another type.
#[derive(Clone, Copy, Debug)]
pub struct Old<'a> {
    bytes: &'a [u8],
}

impl<'a> Old<'a> {
    /// The old value, if it was stored as a `T`.
    #[must_use]
    pub fn read<T: Value>(&self) -> Option<T> {
        let (tag, value) = self.parts()?;
        if tag == fingerprint::<T>() { whole(value) } else { None }
    }

    /// All bytes that are stored, for a value that an earlier firmware stored as plain bytes.
    #[must_use]
    pub const fn bytes(&self) -> &'a [u8] {
        self.bytes
    }

    fn parts(&self) -> Option<(u32, &'a [u8])> {
        let (tag, value) = self.bytes.split_first_chunk()?;
        Some((u32::from_le_bytes(*tag), value))
    }
}

/// Decodes a value that must take all of the bytes.
fn whole<T: DeserializeOwned>(bytes: &[u8]) -> Option<T> {
    match postcard::take_from_bytes(bytes) {
        Ok((value, [])) => Some(value),
        _ => None,
    }
}
