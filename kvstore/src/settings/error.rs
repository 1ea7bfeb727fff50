//! What can go wrong with a declared setting; every error names the key.

use core::convert::Infallible;
use core::fmt;

use crate::Error;

/// Why a call about a setting did not do what was asked. `E` is the error of the flash driver.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub struct SettingError<E> {
    /// Key of the setting.
    pub key: &'static str,
    /// What happened.
    pub why: Why<E>,
}

/// What happened to a setting.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Why<E> {
    /// The bytes stored do not decode to the declared type although they carry its fingerprint: a
    /// string or list is longer than the type now allows, or its own decoding refuses the value.
    /// The caller decides what stands in for it.
    Undecodable,
    /// What is stored under the key is of another type, or was stored as plain bytes. Nothing was
    /// changed. Give [`load_migrating`](crate::settings::Setting::load_migrating) a closure that
    /// knows the old type, store a new value, or `reset` the setting.
    OtherType {
        /// Fingerprint stored; `None`: too short to hold one.
        stored: Option<u32>,
        /// Fingerprint of the declared type.
        declared: u32,
    },
    /// The value is not among those allowed. On a store nothing was changed; on a load the value
    /// in flash is out of range, for example because the range became narrower.
    OutOfRange {
        /// What is allowed, as declared.
        allowed: &'static str,
    },
    /// The store's own error.
    Store(Error<E>),
    /// The value, or what is stored, needs more bytes than were set aside. The programmer must
    /// raise `BYTES` of the declaration, or the buffer of a batch.
    TooLong {
        /// Bytes set aside.
        limit: usize,
    },
    /// A batch has more changes than places. The programmer must raise its `CHANGES`.
    TooMany {
        /// Places.
        limit: usize,
    },
    /// The text to import does not hold a value of the declared type. Nothing was changed.
    Unreadable,
}

impl<E> SettingError<E> {
    pub(crate) const fn new(key: &'static str, why: Why<E>) -> Self {
        Self { key, why }
    }
}

impl Why<Infallible> {
    /// The same for a store on a flash with errors of type `E`.
    pub(crate) fn of_flash<E>(self) -> Why<E> {
        match self {
            Self::Undecodable => Why::Undecodable,
            Self::OtherType { stored, declared } => Why::OtherType { stored, declared },
            Self::OutOfRange { allowed } => Why::OutOfRange { allowed },
            Self::TooLong { limit } => Why::TooLong { limit },
            Self::TooMany { limit } => Why::TooMany { limit },
            Self::Unreadable => Why::Unreadable,
            // No flash was asked.
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
