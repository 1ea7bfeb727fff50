//! The changes of a batch.

use crate::format::record::{Header, Kind};

/// A put or a delete, for [`Store::commit`](crate::Store::commit).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Change<'a> {
    /// Stores a value under a key.
    Put {
        /// 1 to 64 bytes.
        key: &'a [u8],
        /// The value.
        value: &'a [u8],
    },
    /// Deletes a key; nothing happens if it does not exist.
    Delete {
        /// 1 to 64 bytes.
        key: &'a [u8],
    },
    /// Starts a tally. Only the store makes these.
    #[cfg(feature = "counters")]
    #[doc(hidden)]
    #[non_exhaustive]
    Tally {
        /// 1 to 64 bytes.
        key: &'a [u8],
        /// The base and the size of a cell.
        value: &'a [u8],
        /// Length of the value including its cells.
        len: u32,
    },
}

impl<'a> Change<'a> {
    /// A put of `value` under `key`.
    pub fn put<K: AsRef<[u8]> + ?Sized>(key: &'a K, value: &'a [u8]) -> Self {
        Self::Put { key: key.as_ref(), value }
    }

    /// A delete of `key`.
    pub fn delete<K: AsRef<[u8]> + ?Sized>(key: &'a K) -> Self {
        Self::Delete { key: key.as_ref() }
    }

    pub(crate) const fn key(&self) -> &'a [u8] {
        match self {
            Self::Put { key, .. } | Self::Delete { key } => key,
            #[cfg(feature = "counters")]
            Self::Tally { key, .. } => key,
        }
    }

    pub(crate) const fn value(&self) -> &'a [u8] {
        match self {
            Self::Put { value, .. } => value,
            Self::Delete { .. } => &[],
            #[cfg(feature = "counters")]
            Self::Tally { value, .. } => value,
        }
    }

    pub(crate) const fn is_put(&self) -> bool {
        !matches!(self, Self::Delete { .. })
    }

    /// The header of this change's record. The lengths must be valid.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn header(&self, pending: bool) -> Header {
        #[cfg(feature = "counters")]
        if let Self::Tally { key, len, .. } = self {
            return Header::new(Kind::Tally, key.len() as u32, *len);
        }
        let kind = match (self.is_put(), pending) {
            (true, false) => Kind::Put,
            (true, true) => Kind::PendingPut,
            (false, false) => Kind::Delete,
            (false, true) => Kind::PendingDelete,
        };
        Header::new(kind, self.key().len() as u32, self.value().len() as u32)
    }
}

/// The changes that count: the last one for each key. Deletes come first, so that the index never
/// holds more keys than it does in the end.
#[derive(Clone)]
pub(crate) struct Counted<'a> {
    all: &'a [Change<'a>],
    rest: &'a [Change<'a>],
    puts: bool,
}

/// See [`Counted`].
pub(crate) const fn counted<'a>(changes: &'a [Change<'a>]) -> Counted<'a> {
    Counted { all: changes, rest: changes, puts: false }
}

impl<'a> Iterator for Counted<'a> {
    type Item = &'a Change<'a>;

    #[cfg_attr(target_pointer_width = "32", inline(never))]
    fn next(&mut self) -> Option<Self::Item> {
        loop {
            let Some((change, later)) = self.rest.split_first() else {
                if self.puts {
                    return None;
                }
                self.puts = true;
                self.rest = self.all;
                continue;
            };
            self.rest = later;
            if change.is_put() == self.puts && later.iter().all(|other| other.key() != change.key())
            {
                return Some(change);
            }
        }
    }
}
