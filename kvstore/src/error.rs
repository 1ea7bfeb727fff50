//! What can go wrong, and who must act.

use core::fmt;

/// Why a call did not do what was asked.
///
/// `E` is the error of the flash driver; it is kept intact.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Error<E> {
    /// The caller's buffer is shorter than the stored value: call again with `needed` bytes.
    BufferTooSmall {
        /// Length of the stored value in bytes.
        needed: usize,
    },
    /// The record of this key no longer passes its checks, or cannot be read. The value is lost; the
    /// caller decides what stands in for it, and may `put` or `delete` the key.
    Corrupt,
    /// The flash driver failed: a program or an erase, or reads wherever they were tried. Whether the
    /// operation had an effect is unknown: the store takes no further calls until it is opened again.
    /// A place that cannot be read while others can is damage instead, see [`Corrupt`](Self::Corrupt).
    Flash(E),
    /// The space is used up. Nothing was changed. Delete something or give the store more sectors;
    /// deleting, and overwriting by an equal or smaller value, still work. In two cases it has another reason, and
    /// the store takes no further calls until it is opened again: a record that could not be read when
    /// room was counted, and could when it was moved; and sector turns or resets beyond 2³².
    Full,
    /// More live keys than the store has places for. Nothing was changed. Use a larger `N`.
    IndexFull,
    /// A key must have 1 to 64 bytes. The caller must use another key.
    InvalidKey,
    /// The layout does not fit the part; the text says which rule it breaks. The caller must
    /// correct the layout.
    Layout(&'static str),
    /// The region holds no store this layout can open, and it is not empty. Nothing was changed.
    /// If its contents may be destroyed, call `format`. It takes the flash, which `open` has dropped by then:
    /// give `open` a `&mut` to it, or use `new` and `mount`, and `into_flash` if that fails.
    NotAStore(Found),
    /// The value under this key is no counter: it has not 8 bytes. Nothing was changed. The caller
    /// must use another key, or delete this one.
    NotACounter,
    /// An earlier flash error left the state of the flash unknown. Open the store again.
    ReopenNeeded,
    /// Key and value, or the batch, do not fit into one sector. The caller must split them.
    TooLarge,
}

/// What `open` found instead of a store.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Found {
    /// A store with counters, by a firmware built without the feature `counters`. Build it with that.
    Counters,
    /// Data that is no store, or a store whose formatting was interrupted.
    ForeignData,
    /// A store with another sector size, sector count, page size or program unit, or whose range begins
    /// elsewhere: at least one sector starts as that of such a store.
    OtherLayout,
    /// A store of a newer format version, made by newer firmware.
    NewerFormat,
}

/// What can go wrong inside: small, so that it is cheap to hand up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Fault<E> {
    Flash(E),
    IndexFull,
    /// More was to be written into a sector than it holds, or its number is the last.
    Full,
    /// The log holds tallies, which this build cannot read.
    #[cfg(not(feature = "counters"))]
    Counters,
}

impl<E> From<Fault<E>> for Error<E> {
    fn from(fault: Fault<E>) -> Self {
        match fault {
            Fault::Flash(error) => Self::Flash(error),
            Fault::IndexFull => Self::IndexFull,
            Fault::Full => Self::Full,
            #[cfg(not(feature = "counters"))]
            Fault::Counters => Self::NotAStore(Found::Counters),
        }
    }
}

impl<E: fmt::Debug> fmt::Display for Error<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::BufferTooSmall { needed } => {
                write!(f, "the buffer is too small: the value has {needed} bytes")
            }
            Self::Corrupt => f.write_str("the record of this key is damaged"),
            Self::Flash(e) => write!(f, "the flash driver failed: {e:?}; open the store again"),
            Self::Full => f.write_str("the store is full; nothing was changed"),
            Self::IndexFull => f.write_str("more keys than the index holds; nothing was changed"),
            Self::InvalidKey => f.write_str("a key must have 1 to 64 bytes"),
            Self::Layout(why) => write!(f, "the layout does not fit the flash: {why}"),
            Self::NotAStore(Found::Counters) => {
                f.write_str("the store holds counters: build with the feature `counters`")
            }
            Self::NotAStore(Found::ForeignData) => {
                f.write_str("the region holds data that is no store; format it to start afresh")
            }
            Self::NotAStore(Found::OtherLayout) => {
                f.write_str("the region holds a store with another layout or range")
            }
            Self::NotAStore(Found::NewerFormat) => {
                f.write_str("the region holds a store of a newer format version")
            }
            Self::NotACounter => f.write_str("the value of this key is no counter"),
            Self::ReopenNeeded => f.write_str("an earlier flash error: open the store again"),
            Self::TooLarge => f.write_str("key and value, or the batch, do not fit into a sector"),
        }
    }
}

impl<E: fmt::Debug> core::error::Error for Error<E> {}
