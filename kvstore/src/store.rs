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
/// See the [crate documentation](crate) for the promises. Every call that writes returns only when
/// the change is durable; a power cut during a call leaves the change wholly done or not at all.
pub struct Store<F: NorFlash, const N: usize> {
    pub(crate) core: Core<F>,
    pub(crate) entries: Vec<Entry, N>,
}

/// How full and how worn the store is. Sizes in bytes of flash.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub struct Usage {
    /// Live keys.
    pub keys: usize,
    /// Bytes of the live records, with their overhead.
    pub live_bytes: u32,
    /// Bytes that more live records can take, at the most.
    pub free_bytes: u32,
    /// Turns since the first format, an erase each: each sector took its share, give or take one. Erases
    /// of turns that a cut interrupted, and of [`tidy`](Store::tidy) before a power-up, are not among them.
    pub compactions: u32,
    /// Damaged records seen since the store was opened.
    pub damaged_records: u32,
}

impl<F: NorFlash + fmt::Debug, const N: usize> fmt::Debug for Store<F, N> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Store").field("core", &self.core).finish_non_exhaustive()
    }
}

impl<F: NorFlash, const N: usize> Store<F, N> {
    /// Opens the store, or makes a new one in a region that is blank.
    ///
    /// What is reported afterwards is what every later `open` will report. The driver's operations
    /// must be complete when they return.
    ///
    /// Flash work at the most: reads of all headers and keys; six programs and two for each page that
    /// interrupted opens have used, if the head has room for a settle record, which is as long as the
    /// last record; else one turn of a sector (see [`put`](Self::put)). One put more for each counter
    /// that has ticked since the last open (feature `counters`). A new store in a blank region: one erase, nine
    /// programs. A cut during it loses nothing and may happen any number of times.
    ///
    /// # Errors
    /// [`Error::Layout`], [`Error::NotAStore`], [`Error::IndexFull`] (the store holds more than `N`
    /// keys), [`Error::Flash`]; [`Error::Full`] of a log such as no store leaves. The flash is not changed by
    /// the first two, and by [`Error::IndexFull`] in nothing that holds settings.
    pub fn open(flash: F, layout: Layout) -> Result<Self, Error<F::Error>> {
        let mut result = Self::new(flash, &layout);
        if let Ok(store) = &mut result
            && let Err(error) = store.mount()
        {
            result = Err(error);
        }
        result
    }

    /// Starts afresh whatever the region holds. **All data in the region are lost.**
    ///
    /// Flash work: over a store of this layout one erase and ten programs, and one for each page that
    /// interrupted opens used in the sector behind its head; over anything else one erase, nine programs, and one
    /// or two for each erase unit and each page with zeros at its start. A cut leaves the old store, the new one, or (where there was no store) a
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

    /// A store that is not open yet: until [`mount`](Self::mount) has succeeded, each call says
    /// [`Error::ReopenNeeded`]; what is asked without one, [`usage`](Self::usage) for example, means nothing.
    /// Touches no flash.
    ///
    /// For small stacks, and for stores that live in a static: [`open`](Self::open) needs room for the store on
    /// the stack, since its result is moved to where it will stay.
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

    /// Opens a store from [`new`](Self::new), as [`open`](Self::open) does; or opens it again after
    /// [`Error::Flash`]. Flash work, errors, and what a cut leaves: as `open`. After an error the
    /// store stays closed.
    ///
    /// # Errors
    /// As [`open`](Self::open).
    pub fn mount(&mut self) -> Result<(), Error<F::Error>> {
        self.core.mount(self.entries.as_mut_view())
    }

    /// Stores `value` under `key`. Storing the value that is stored already programs nothing.
    ///
    /// Flash work: one program call per 256 bytes of record; where the oldest sector is so full
    /// that the record could not be moved with it, one more. If the head has no room, a sector
    /// turn: one erase, a copy of the live records of the oldest sector, two programs; more than
    /// one turn, at the most N − 1 for N sectors, only if the oldest sectors are full of live
    /// records.
    ///
    /// # Errors
    /// [`Error::InvalidKey`], [`Error::TooLarge`], [`Error::Full`] and [`Error::IndexFull`] change
    /// nothing. After [`Error::Flash`] the change may have been made or not; open the store again.
    pub fn put<K: AsRef<[u8]> + ?Sized>(
        &mut self,
        key: &K,
        value: &[u8],
    ) -> Result<(), Error<F::Error>> {
        self.commit(&[Change::put(key, value)])
    }

    /// Deletes `key`; tells whether it existed. Flash work as for [`put`](Self::put).
    ///
    /// # Errors
    /// As [`put`](Self::put); never [`Error::Full`] for want of space.
    pub fn delete<K: AsRef<[u8]> + ?Sized>(&mut self, key: &K) -> Result<bool, Error<F::Error>> {
        // Writes only if the key exists; then it is not there afterwards.
        let keys = self.entries.len();
        self.commit(&[Change::delete(key)])?;
        Ok(self.entries.len() < keys)
    }

    /// Makes all changes or none, whatever happens. If a key is named more than once, the last
    /// change counts.
    ///
    /// Flash work: one program call per change and one for the commit, or a sector turn as for
    /// [`put`](Self::put). All records of a batch must fit into one sector.
    ///
    /// # Errors
    /// As [`put`](Self::put).
    pub fn commit(&mut self, changes: &[Change<'_>]) -> Result<(), Error<F::Error>> {
        self.core.write(changes, self.entries.as_mut_view())
    }

    /// Reads the value of `key` into `buffer`; `None` if there is no such key.
    ///
    /// Flash work: one read for short records, two if the buffer has room for the trailer behind
    /// the value too (8 bytes and up to a program unit more), else three; a part with a read unit above 1
    /// takes up to two more for each that starts or ends within a unit. No byte of the record is read
    /// twice. Nothing is programmed.
    ///
    /// # Errors
    /// [`Error::BufferTooSmall`] says how much is needed. [`Error::Corrupt`]: the record does not
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

    /// Calls `each` with the name and the value's length in bytes of every key, in no particular
    /// order. Flash work: one read per key, two for keys longer than 19 bytes.
    ///
    /// # Errors
    /// [`Error::Corrupt`] if a record's header or name cannot be read; [`Error::Flash`],
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

    /// Does in idle time what a later `put` would have to wait for: erases the spare when three
    /// quarters of the head are used, turns the sector when it is nearly full. Call it when a
    /// blocking time of an erase does no harm; a cut during it costs nothing but the erase.
    ///
    /// An erase counts until the next power-up only, since blank flash proves nothing. So it is for devices
    /// that stay on: called in each short power-up, it erases a sector in each of them as long as
    /// the head is in its last quarter.
    ///
    /// # Errors
    /// [`Error::Flash`], [`Error::ReopenNeeded`].
    pub fn tidy(&mut self) -> Result<(), Error<F::Error>> {
        self.core.tidy(self.entries.as_mut_view())
    }

    /// Deletes everything, as a factory reset does. Atomic: a cut leaves all or nothing.
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

    /// Gives the flash back.
    pub fn into_flash(self) -> F {
        self.core.medium.flash
    }
}
