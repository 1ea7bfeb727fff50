//! The store: its public calls.

use core::fmt;

use embedded_storage::nor_flash::NorFlash;
use heapless::Vec;

use crate::change::Change;
use crate::error::Error;
use crate::flash::medium::Medium;
use crate::flash::reader::KeyBytes;
use crate::format::crc::crc32c;
use crate::format::record::key_is_valid;
use crate::index::Entry;
use crate::layout::Layout;
use crate::log::state::{Core, Log};

/// A settings store in a range of NOR flash, for up to `N` live keys.
///
/// Every call that writes returns only when the change is durable. A power cut during a call leaves
/// the change wholly done or not done at all. The [crate documentation](crate) says how to choose
/// the flash and the layout, and what the calls cost.
pub struct Store<F: NorFlash, const N: usize> {
    pub(crate) core: Core<F>,
    pub(crate) entries: Vec<Entry, N>,
}

/// How full and how worn the store is. Sizes are in bytes of flash.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub struct Usage {
    /// Live keys.
    pub keys: usize,
    /// Bytes of the live records, including their overhead.
    pub live_bytes: u32,
    /// Most bytes that further live records can take.
    pub free_bytes: u32,
    /// Compactions so far. The first format and each [`clear`](Store::clear) count as one too. Each
    /// takes one erase, and all sectors have had the same number of them, give or take one. Not
    /// counted are the erases of compactions that a cut interrupted, and those of
    /// [`tidy`](Store::tidy) that a power-up made useless.
    pub compactions: u32,
    /// How often damage to a record was seen since this `Store` was made.
    pub damaged_records: u32,
}

impl<F: NorFlash + fmt::Debug, const N: usize> fmt::Debug for Store<F, N> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Store").field("core", &self.core).finish_non_exhaustive()
    }
}

impl<F: NorFlash, const N: usize> Store<F, N> {
    /// Opens the store, or makes a new one in a blank region.
    ///
    /// What an open finds is final: until something is changed, every later `open` finds the same.
    /// A cut during `open` loses nothing, and may happen any number of times.
    ///
    /// Flash work, at most: reads of all headers and keys. If the head has room for a settle
    /// record, which is as long as the last record, six programs, and two for each page that
    /// interrupted opens have used; else one compaction (see [`put`](Self::put)). With the feature
    /// `counters`, one more put for each counter that has ticked since the last open. A new store
    /// in a blank region takes one erase and nine programs.
    ///
    /// # Errors
    /// [`Error::Layout`] and [`Error::NotAStore`] leave the flash as it was. [`Error::IndexFull`]
    /// (the store holds more than `N` keys) changes nothing that holds settings. [`Error::Flash`].
    /// [`Error::Corrupt`] if the flash does not keep what is written. [`Error::Full`] for a log
    /// that no store leaves.
    pub fn open(flash: F, layout: Layout) -> Result<Self, Error<F::Error>> {
        let mut result = Self::new(flash, &layout);
        if let Ok(store) = &mut result
            && let Err(error) = store.mount()
        {
            result = Err(error);
        }
        result
    }

    /// Makes a new store, whatever the region holds. **All data in the region is lost.**
    ///
    /// Flash work over a store of this layout: one erase and ten programs, and one program for each
    /// page that interrupted opens used in the sector after its head. Over anything else: one
    /// erase, nine programs, and one or two programs for each erase unit and for each page with
    /// zeros at its start. A cut leaves the old store, the new one, or (where there was no store) a
    /// region that must be formatted again.
    ///
    /// # Errors
    /// [`Error::Layout`], [`Error::Flash`].
    pub fn format(flash: F, layout: Layout) -> Result<Self, Error<F::Error>> {
        let mut result = Self::new(flash, &layout);
        if let Ok(store) = &mut result
            && let Err(error) = store.core.format(store.entries.as_mut_view())
        {
            result = Err(error);
        }
        result
    }

    /// Makes a store that is not open yet. Until [`mount`](Self::mount) has succeeded, each call
    /// returns [`Error::ReopenNeeded`], and [`usage`](Self::usage) is meaningless. Touches no
    /// flash.
    ///
    /// Use it for small stacks, and for a store that lives in a static. [`open`](Self::open) needs
    /// room for the store on the stack, since its result is moved to where it will stay.
    ///
    /// # Errors
    /// [`Error::Layout`].
    pub fn new(flash: F, layout: &Layout) -> Result<Self, Error<F::Error>> {
        let geometry = match layout.geometry(&flash) {
            Ok(geometry) => geometry,
            Err(why) => return Err(Error::Layout(why)),
        };
        let log = Log::NONE;
        Ok(Self { core: Core { medium: Medium::new(flash, geometry), log }, entries: Vec::new() })
    }

    /// Opens a store that [`new`](Self::new) made, as [`open`](Self::open) does, or opens it again
    /// after [`Error::Flash`]. Flash work, errors, and what a cut leaves are those of `open`. After
    /// an error the store stays closed.
    ///
    /// # Errors
    /// As [`open`](Self::open).
    pub fn mount(&mut self) -> Result<(), Error<F::Error>> {
        self.core.mount(self.entries.as_mut_view())
    }

    /// Stores `value` under `key`. If this value is stored already, nothing is programmed.
    ///
    /// Flash work: one program call per 256 bytes of record, and one more if the record would not
    /// fit into a sector together with the live records of the oldest sector. If the head has no
    /// room, a compaction: one erase, a copy of the oldest sector's live records, and two programs.
    /// More than one compaction (at most one less than there are sectors) is needed only if the
    /// oldest sectors are full of live records. A cut leaves the old value or the new one.
    ///
    /// # Errors
    /// [`Error::InvalidKey`], [`Error::TooLarge`], [`Error::Full`] and [`Error::IndexFull`] change
    /// nothing. After [`Error::Flash`] the change was made or not; open the store again.
    pub fn put<K: AsRef<[u8]> + ?Sized>(
        &mut self,
        key: &K,
        value: &[u8],
    ) -> Result<(), Error<F::Error>> {
        self.commit(&[Change::put(key, value)])
    }

    /// Deletes `key`, and returns whether it existed. Flash work, and what a cut leaves: as
    /// [`put`](Self::put).
    ///
    /// # Errors
    /// As [`put`](Self::put), but never [`Error::Full`] because of space.
    pub fn delete<K: AsRef<[u8]> + ?Sized>(&mut self, key: &K) -> Result<bool, Error<F::Error>> {
        // The commit writes only if the key exists, and then there is one key less.
        let keys = self.entries.len();
        self.commit(&[Change::delete(key)])?;
        Ok(self.entries.len() < keys)
    }

    /// Makes all changes or none, whatever happens. If a key is named more than once, its last
    /// change counts.
    ///
    /// Flash work: one program call per change and one for the commit, or a compaction as for
    /// [`put`](Self::put). All records of a batch must fit into one sector.
    ///
    /// # Errors
    /// As [`put`](Self::put).
    pub fn commit(&mut self, changes: &[Change<'_>]) -> Result<(), Error<F::Error>> {
        self.core.write(changes, self.entries.as_mut_view())
    }

    /// Reads the value of `key` into `buffer`. Returns `None` if there is no such key.
    ///
    /// Flash work: one read for short records; two if the buffer also has room for the trailer
    /// after the value (8 bytes and up to a program unit more); else three. If the part's read unit
    /// is above 1, each read that starts or ends within a unit takes up to two more. No byte of the
    /// record is read twice. Nothing is programmed.
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
        self.core.ready()?;
        let len = self.core.load(key, self.entries.as_mut_view(), buffer);
        Ok(self.core.outcome_of_reading(len)?.and_then(|len| buffer.get(..len)))
    }

    /// Calls `each` with every key and the length of its value in bytes, in no particular order.
    /// Flash work: one read per key, two for keys longer than 19 bytes. Nothing is programmed.
    ///
    /// # Errors
    /// [`Error::Corrupt`] if the header or key of a record cannot be read. [`Error::Flash`],
    /// [`Error::ReopenNeeded`].
    pub fn for_each_key(
        &mut self,
        mut each: impl FnMut(&[u8], usize),
    ) -> Result<(), Error<F::Error>> {
        self.core.ready()?;
        let mut bytes: KeyBytes = [0; _];
        for entry in &self.entries {
            let limit = self.core.limit_at(entry.address);
            let looked = self.core.medium.look_at_key(entry.address, limit, 19, &mut bytes);
            let Some(found) = looked else {
                return self.core.outcome_of_reading(Err(Error::Corrupt));
            };
            let key = self.core.medium.geometry.key_in(found, &bytes);
            if crc32c(key) != entry.hash {
                return Err(Error::Corrupt);
            }
            each(key, found.header.plain().value_len() as usize);
        }
        Ok(())
    }

    /// Does work in idle time that a later `put` would have to wait for. It erases the spare once
    /// three quarters of the head are used, and compacts once the head is nearly full. Call it when
    /// the time of an erase does no harm. A cut during the call costs nothing but the erase.
    ///
    /// The erase counts only until the next power-up, since flash that reads blank proves nothing.
    /// So `tidy` is for devices that stay on. If it is called in every short power-up, it erases a
    /// sector each time while the head is in its last quarter.
    ///
    /// # Errors
    /// [`Error::Flash`], [`Error::ReopenNeeded`].
    pub fn tidy(&mut self) -> Result<(), Error<F::Error>> {
        self.core.tidy(self.entries.as_mut_view())
    }

    /// Deletes everything, as a factory reset does. This is atomic: a cut leaves everything or
    /// nothing.
    ///
    /// Flash work: one erase, two programs.
    ///
    /// # Errors
    /// [`Error::Flash`], [`Error::ReopenNeeded`].
    pub fn clear(&mut self) -> Result<(), Error<F::Error>> {
        self.core.ready()?;
        self.core.restart();
        self.entries.clear();
        self.core.outcome(Ok(()))
    }

    /// How full and how worn the store is. Reads no flash.
    pub fn usage(&self) -> Usage {
        let g = &self.core.medium.geometry;
        let log = &self.core.log;
        let capacity = (g.sectors - 1).saturating_mul(g.sector_bytes - g.first_record());
        Usage {
            keys: self.entries.len(),
            live_bytes: log.live.bytes,
            free_bytes: capacity.saturating_sub(log.live.bytes),
            compactions: log.head.saturating_sub(g.sectors).saturating_add(1),
            damaged_records: log.damaged,
        }
    }

    /// Closes the store and returns the flash.
    pub fn into_flash(self) -> F {
        self.core.medium.flash
    }
}
