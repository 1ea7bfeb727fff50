//! The store: its public calls.

use core::fmt;

use embedded_storage::nor_flash::NorFlash;
use heapless::Vec;

use crate::change::Change;
use crate::error::Error;
use crate::flash::medium::Medium;
use crate::format::record::MAX_KEY;
use crate::index::Entry;
use crate::layout::Layout;
use crate::log::state::{Access, Core, Log};

/// A settings store in a range of NOR flash, for up to `N` live keys.
///
/// Every call that writes returns only when the change is durable. A power cut during a call leaves
/// the change wholly done or not done at all. The [crate documentation](crate) says how to choose
/// the flash and the layout, and what the calls cost.
///
/// **Only one `Store` may use a range at a time, and nothing else may write there.** A store keeps
/// in RAM what it knows of its range, and does not look again: two of them, in two cores or behind
/// two handles to one driver, would program over each other's records. The compiler sees to that if
/// the store owns the flash or has the only `&mut` to it. If the flash type is a handle that can be
/// had twice, the program must: keep one store, and share that.
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
    /// takes one erase, and all sectors have had the same number of them, give or take one. One
    /// more erase follows each compaction that a cut interrupted, which is not counted.
    pub compactions: u32,
    /// How often damage to a record was seen since this `Store` was made. One wrong bit is no
    /// damage, since it is corrected. Reading a damaged record twice counts two.
    pub damaged_records: u32,
    /// Records with one wrong bit that the last open found, counted once each; among them may be
    /// some that were replaced since. All readings correct such a bit. [`scrub`](Store::scrub)
    /// writes the record again.
    pub repaired_records: u32,
    /// Live keys whose values may be older than what was acknowledged: a later record was damaged,
    /// and its key could not be read for certain. Known since the last open.
    pub doubtful: usize,
    /// Whether keys that do not exist may have had a value: such a record may have been one of
    /// theirs.
    pub doubtful_absent: bool,
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
    /// Flash work: reads of all records. If the last power-up only read, or called
    /// [`rest`](Self::rest) after its last change, nothing is programmed. Else the open settles the
    /// log: a program of one unit; the settle record, which is as long as the last record, in one
    /// program per page or 256 bytes; and a rest record. At most two programs more are needed after
    /// a compaction, one if the oldest sector is full of live records, and a put for each counter
    /// that has ticked since the log was settled. If the head has no room for this, a compaction:
    /// a copy of the oldest sector's live records, and five programs. If the spare is not erased
    /// yet since a cut came before that, one erase and three programs more. A new store in a blank
    /// region takes two erases and 13 programs.
    ///
    /// # Errors
    /// [`Error::Layout`] and [`Error::NotAStore`] leave the flash as it was. [`Error::IndexFull`]
    /// (the store holds more than `N` keys) changes nothing that holds settings. [`Error::Flash`].
    /// [`Error::Worn`] if the flash does not keep what is written. [`Error::Corrupt`] and
    /// [`Error::Full`] for a log that no store leaves.
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
    /// Flash work over a store of this layout: that of [`open`](Self::open), of
    /// [`clear`](Self::clear) and of [`rest`](Self::rest). Over anything else: an erase of each
    /// sector and one more, and 13 programs. A cut leaves the old store, the new one, or (where
    /// there was no store that opens) a region that must be formatted again.
    ///
    /// # Errors
    /// [`Error::Layout`], [`Error::Flash`], [`Error::Worn`].
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
    /// after [`Error::Flash`] or [`Error::Worn`]. Flash work, errors, and what a cut leaves are
    /// those of `open`. After an error the store stays closed.
    ///
    /// # Errors
    /// As [`open`](Self::open).
    pub fn mount(&mut self) -> Result<(), Error<F::Error>> {
        self.core.mount(Access::Write, self.entries.as_mut_view())
    }

    /// Stores `value` under `key`. If this value is stored already, nothing is programmed.
    ///
    /// Flash work: one program call for each page that the record touches, and for each 256 bytes;
    /// one more for the first change after a rest; and one more if the record would not fit into a
    /// sector together with the live records of the oldest sector. All of it is read back. The
    /// present record of the key is read before. If the head has no room, a compaction: a copy of
    /// the oldest sector's live records, and seven programs, and one erase, that of the next spare.
    /// More than one compaction (at most one less than there are sectors) is needed only if the
    /// oldest sectors are full of live records. A cut leaves the old value or the new one.
    ///
    /// The first change after an open that compacted takes the erase and two programs, since the
    /// open leaves them out. So does the first one after a compaction that a cut interrupted; if it
    /// has to compact as well, it takes two erases.
    ///
    /// A place that does not keep what is programmed costs two programs, and is left. After four of
    /// them, the change goes into the next sector.
    ///
    /// # Errors
    /// [`Error::InvalidKey`], [`Error::TooLarge`], [`Error::Full`] and [`Error::IndexFull`] change
    /// nothing. After [`Error::Flash`] and [`Error::Worn`] the change was made or not. The store
    /// can still be read; open it again before the next change.
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
        let result = self.core.write(changes, self.entries.as_mut_view());
        self.concluded(result)
    }

    /// Does work in idle time that a later change would have to wait for. It erases the spare if an
    /// open or a cut left that undone, and compacts if less than a sixteenth of the head is left,
    /// unless the oldest sector has live records in three quarters of its room or more. Call it
    /// when the time of an erase does no harm. It may be called in every power-up.
    ///
    /// Flash work: none if there is nothing to do, else that of a [`put`](Self::put). A cut costs
    /// nothing but an erase.
    ///
    /// # Errors
    /// [`Error::Flash`], [`Error::Worn`], [`Error::ReopenNeeded`].
    pub fn tidy(&mut self) -> Result<(), Error<F::Error>> {
        let result = self.core.tidy(self.entries.as_mut_view());
        self.concluded(result)
    }

    /// Deletes everything, as a factory reset does. This is atomic: a cut leaves everything or
    /// nothing.
    ///
    /// Flash work: one erase and seven programs; one program more after a rest, and an erase and a
    /// program more if the spare was not erased yet, see [`put`](Self::put).
    ///
    /// # Errors
    /// [`Error::Flash`], [`Error::Worn`], [`Error::ReopenNeeded`].
    pub fn clear(&mut self) -> Result<(), Error<F::Error>> {
        self.core.ready()?;
        self.core.restart(self.entries.as_mut_view());
        let result = self.core.outcome(Ok(()));
        self.concluded(result)
    }

    /// Prepares for a planned power-off: if nothing is written afterwards, the next open programs
    /// nothing. Without this call, the next open after a change takes a page of the flash. The
    /// first change after a rest programs one unit more.
    ///
    /// Flash work: one program of a record of 10 bytes (12 in sectors above 8 KiB), rounded up to
    /// units, or two programs if it reaches into the next page. Nothing is done if the log rests
    /// already, or if there is no room; then the next open settles. A cut during the call does no
    /// harm: the next open settles, as it does without this call.
    ///
    /// # Errors
    /// [`Error::Flash`], [`Error::Worn`], [`Error::ReopenNeeded`].
    pub fn rest(&mut self) -> Result<(), Error<F::Error>> {
        self.core.ready()?;
        self.core.rest(self.entries.as_mut_view());
        let result = self.core.outcome(Ok(()));
        self.concluded(result)
    }

    /// Passes on the result of a call that writes. After a failure, the log is read again: some
    /// changes of the call may have taken effect in the index and not in the flash.
    // Outlined, since it is called from several places.
    #[inline(never)]
    pub(crate) fn concluded<T>(
        &mut self,
        result: Result<T, Error<F::Error>>,
    ) -> Result<T, Error<F::Error>> {
        if self.core.log.access == Access::Read
            && !matches!(result, Ok(_) | Err(Error::ReopenNeeded))
        {
            // If that fails, the store is closed, and calls that read say so.
            let _ = self.core.mount(Access::Read, self.entries.as_mut_view());
        }
        result
    }

    /// Whether a key and a value of these lengths fit into a sector. If so, [`put`](Self::put) of
    /// them never returns [`Error::TooLarge`], and it succeeds in an empty store. Reads no flash.
    pub fn fits(&self, key_len: usize, value_len: usize) -> bool {
        (1..=MAX_KEY).contains(&key_len)
            && self.core.medium.geometry.batch_fits(1, key_len, value_len)
    }

    /// How full and how worn the store is. Reads no flash.
    pub fn usage(&self) -> Usage {
        let g = &self.core.medium.geometry;
        let log = &self.core.log;
        let capacity = (g.sectors - 1).saturating_mul(g.records_end() - g.first_record());
        Usage {
            keys: self.entries.len(),
            live_bytes: log.live.bytes,
            free_bytes: capacity.saturating_sub(log.live.bytes),
            compactions: log.head.saturating_sub(g.sectors).saturating_add(1),
            damaged_records: log.damaged,
            repaired_records: log.repaired,
            doubtful: self
                .entries
                .iter()
                .filter(|entry| self.core.is_doubtful(entry.address))
                .count(),
            doubtful_absent: log.doubt != (0, 0),
        }
    }

    /// Lends the flash, for other uses of the same part. Nothing of the store is pending between
    /// two calls. Whoever changes something in the store's range destroys the store: it does not
    /// look again at what it knows.
    pub const fn flash(&mut self) -> &mut F {
        &mut self.core.medium.flash
    }

    /// Closes the store and returns the flash.
    pub fn into_flash(self) -> F {
        self.core.medium.flash
    }
}
