//! Errors about declared settings. Each names the key.

use core::convert::Infallible;
use core::fmt;

use crate::Error;

/// Why a call about a setting did not do what was asked. `E` is the error of the flash driver.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub struct SettingError<E> {
    /// Key of the setting.
    pub key: &'static str,
    /// What went wrong.
    pub why: Why<E>,
}

/// What went wrong with a setting.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Why<E> {
    /// The stored bytes have the fingerprint of the declared type but do not decode to it: a string
    /// or list is longer than the type allows now, or the type's own decoding refuses the value.
    /// The caller decides what to use instead.
    Undecodable,
    /// The stored value has another type, or was stored as plain bytes. Nothing was changed. The
    /// programmer must give [`load_migrating`](crate::settings::Setting::load_migrating) a closure
    /// that knows the old type, or save a new value, or `reset` the setting.
    OtherType {
        /// The stored fingerprint; `None` if the value is too short to hold one.
        stored: Option<u32>,
        /// The fingerprint of the declared type.
        declared: u32,
    },
    /// The value is not one of those that are allowed. After a save, nothing was changed. After a
    /// load, the stored value is out of range, for example because the range has become narrower.
    /// The caller must use another value.
    OutOfRange {
        /// What is allowed, as declared.
        allowed: &'static str,
    },
    /// An error of the store.
    Store(Error<E>),
    /// The value, or what is stored, needs more bytes than there is room for. The programmer must
    /// raise `BYTES` in the declaration, or enlarge the buffer of the batch.
    TooLong {
        /// The room in bytes.
        limit: usize,
    },
    /// A batch has more changes than it has room for. The programmer must raise its `CHANGES`.
    TooMany {
        /// The room, in changes.
        limit: usize,
    },
    /// The imported text does not hold a value of the declared type. Nothing was changed.
    Unreadable,
}

impl<E> SettingError<E> {
    pub(crate) const fn new(key: &'static str, why: Why<E>) -> Self {
        Self { key, why }
    }
}

impl Why<Infallible> {
    /// The same error for a store whose flash has errors of type `E`.
    pub(crate) fn of_flash<E>(self) -> Why<E> {
        match self {
            Self::Undecodable => Why::Undecodable,
            Self::OtherType { stored, declared } => Why::OtherType { stored, declared },
            Self::OutOfRange { allowed } => Why::OutOfRange { allowed },
            Self::TooLong { limit } => Why::TooLong { limit },
            Self::TooMany { limit } => Why::TooMany { limit },
            Self::Unreadable => Why::Unreadable,
            // Unreachable: no flash was involved.
            Self::Store(_) => Why::Store(Error::Corrupt),
        }
    }
}

impl<E: fmt::Debug> fmt::Display for SettingError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "setting '{}': {}", self.key, self.why)
    }
}

impl<E: fmt::Debug> fmt::Display for Why<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Undecodable => f.write_str("the stored value does not fit the declared type"),
            Self::OtherType { stored: Some(stored), declared } => write!(
                f,
                "a value of another type is stored (fingerprint {stored:08x}, declared \
                 {declared:08x}); it needs a migration"
            ),
            Self::OtherType { stored: None, .. } => {
                f.write_str("bytes without a type are stored; they need a migration")
            }
            Self::OutOfRange { allowed } => write!(f, "out of range (allowed: {allowed})"),
            Self::Store(error) => error.fmt(f),
            Self::TooLong { limit } => write!(f, "the value needs more than {limit} bytes"),
            Self::TooMany { limit } => write!(f, "a batch of more than {limit} changes"),
            Self::Unreadable => f.write_str("the text holds no value of the declared type"),
        }
    }
}

impl<E: fmt::Debug> core::error::Error for SettingError<E> {}
