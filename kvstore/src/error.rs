//! Errors: what went wrong, and who must act.

use core::fmt;

/// Why a call did not do what was asked.
///
/// `E` is the error of the flash driver, which is kept intact.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Error<E> {
    /// The buffer is shorter than the stored value. The caller must call again with `needed` bytes.
    BufferTooSmall {
        /// Length of the stored value in bytes.
        needed: usize,
    },
    /// The record of this key is damaged in more than one bit, or cannot be read. The value is
    /// lost. The caller decides what to use instead, and may `put` or `delete` the key. After the
    /// next open, a key whose only record is damaged reads as absent: then ask
    /// [`is_doubtful`](crate::Store::is_doubtful).
    Corrupt,
    /// The flash driver failed: programs or erases wherever they were tried, or all reads. It is
    /// unknown whether the change was made, so the store takes no further changes until the caller
    /// opens it again; it can still be read. One place that cannot be read while others can is
    /// damage instead, see [`Corrupt`](Self::Corrupt). But a call that the driver refuses as not
    /// aligned or out of bounds is always this error: the programmer must correct the layout, or
    /// the driver.
    Flash(E),
    /// The space is used up. Nothing was changed. The caller must delete something, or the
    /// programmer must give the store more sectors. Deleting, and overwriting with an equal or
    /// smaller value, still work.
    ///
    /// In two rare cases the reason is another one, and the store takes no further changes until it
    /// is opened again: a record could not be read when the room was counted, but could be when it
    /// was moved; or there were more than 2³² compactions or resets.
    Full,
    /// There are more keys than the index has room for. Nothing was changed. The programmer must
    /// use a larger `N`.
    IndexFull,
    /// The key is empty or longer than 64 bytes. The caller must use another key.
    InvalidKey,
    /// The layout does not fit the flash. The text says which rule it breaks. The programmer must
    /// correct the layout.
    Layout(&'static str),
    /// The region is not empty, and holds no store that this layout can open. Nothing was changed.
    /// If its contents may be destroyed, the caller may call `format`.
    ///
    /// `format` takes the flash, which `open` has dropped by then. So give `open` a `&mut` to the
    /// flash, or use `new` and `mount`, and `into_flash` if the mount fails.
    NotAStore(Found),
    /// The value under this key is not a counter, since it does not have 8 bytes. Nothing was
    /// changed. The caller must use another key, or delete this one.
    NotACounter,
    /// The store is not open; or a change was asked for, and an earlier one failed with an error of
    /// the flash. The caller must open the store again.
    ReopenNeeded,
    /// Key and value, or the batch, do not fit into one sector. The caller must split them up.
    TooLarge,
    /// The flash does not keep what is programmed, or is not blank after an erase, although the
    /// driver reports no error: it is worn or write-protected. A store that was open can still be
    /// read, and takes changes again if it can be opened again. The firmware should report the part
    /// as faulty.
    Worn,
}

/// What `open` found instead of a store.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Found {
    /// A store with counters, while this firmware is built without the feature `counters`. Rebuild
    /// the firmware with that feature.
    Counters,
    /// Data that is not a store, a store whose formatting was interrupted, or one whose openings
    /// cannot be read.
    ForeignData,
    /// A store with another sector size, number of sectors, page size or program unit, or one whose
    /// range starts elsewhere. At least one sector starts like a sector of such a store.
    OtherLayout,
    /// A store with a newer version of the format, made by newer firmware.
    NewerFormat,
    /// Nothing: the region is blank, and [`Store::open`](crate::Store::open) would make a new store
    /// in it. Only a [`View`](crate::View) reports this.
    Nothing,
    /// A store with an older version of the format, made by older firmware. Its settings can be
    /// read by that firmware's code only.
    OlderFormat,
}

/// A failure inside the store. Small, so that it is cheap to keep.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Fault<E> {
    Flash(E),
    IndexFull,
    /// The number of a sector is the last one.
    Full,
    Worn,
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
            Fault::Worn => Self::Worn,
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
            Self::IndexFull => {
                f.write_str("more keys than the index has room for; nothing was changed")
            }
            Self::InvalidKey => f.write_str("a key must have 1 to 64 bytes"),
            Self::Layout(why) => write!(f, "the layout does not fit the flash: {why}"),
            Self::NotAStore(Found::Counters) => {
                f.write_str("the store holds counters: build with the feature `counters`")
            }
            Self::NotAStore(Found::ForeignData) => f.write_str(
                "the region holds data that is not a store, or a store too damaged to open",
            ),
            Self::NotAStore(Found::OtherLayout) => {
                f.write_str("the region holds a store with another layout or range")
            }
            Self::NotAStore(Found::NewerFormat) => {
                f.write_str("the region holds a store with a newer version of the format")
            }
            Self::NotAStore(Found::Nothing) => f.write_str("the region is blank"),
            Self::NotAStore(Found::OlderFormat) => {
                f.write_str("the region holds a store with an older version of the format")
            }
            Self::NotACounter => f.write_str("the value of this key is not a counter"),
            Self::ReopenNeeded => {
                f.write_str("the store is not open, or an earlier call failed: open it again")
            }
            Self::TooLarge => f.write_str("key and value, or the batch, do not fit into a sector"),
            Self::Worn => {
                f.write_str("the flash does not keep what is written: the part is faulty")
            }
        }
    }
}

impl<E: fmt::Debug> core::error::Error for Error<E> {}
