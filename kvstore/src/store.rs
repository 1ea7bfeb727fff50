//! The store: its public calls.

use core::fmt;

use embedded_storage::nor_flash::NorFlash;
use heapless::Vec;

use crate::change::{Change, effective};
use crate::error::Error;
use crate::index::{self, Entry, Index};
use crate::layout::{Geometry, Layout, MAX_TRAILER};
use crate::medium::{Found, Medium, WINDOW, copy};
use crate::record::{COMMIT, Check, Header, SEAL, crc32c, key_is_valid, u24};
use crate::turn::{Load, set};
use crate::walk::{Core, Live, Log};

/// A settings store in a range of NOR flash, for up to `N` live keys.
///
/// See the [crate documentation](crate) for the promises. Every call that writes returns only when
/// the change is durable; a power cut during a call leaves the change wholly done or not at all.
pub struct Store<F, const N: usize> {
    core: Core<F>,
    entries: Vec<Entry, N>,
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
    /// Sectors erased since the first format: each sector took its share, give or take one.
    pub sector_turns: u32,
    /// Damaged records seen since the store was opened.
    pub damaged_records: u32,
}

impl<F: fmt::Debug, const N: usize> fmt::Debug for Store<F, N> {
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
    /// Flash work at the most: reads of all headers and keys; six programs if the head has room
    /// for a settle record, which is as long as the last record; else one turn of a sector (see
    /// [`put`](Self::put)). A cut during it loses nothing and may happen any number of times.
    ///
    /// # Errors
    /// [`Error::Layout`], [`Error::NotAStore`], [`Error::IndexFull`] (the store holds more than `N`
    /// keys), [`Error::Flash`]. The flash is changed by none of the first three, but for what an
    /// interrupted operation left.
    pub fn open(flash: F, layout: Layout) -> Result<Self, Error<F::Error>> {
        let mut store = Self::new(flash, &layout)?;
        store.core.mount(store.entries.as_mut_view())?;
        Ok(store)
    }

    /// Starts afresh whatever the region holds. **All data in the region are lost.**
    ///
    /// Flash work: one erase and three programs over a store, one program per sector more over
    /// anything else. A cut leaves the old store, the new one, or (where there was no store) a
    /// region that must be formatted again.
    ///
    /// # Errors
    /// [`Error::Layout`], [`Error::Flash`].
    pub fn format(flash: F, layout: Layout) -> Result<Self, Error<F::Error>> {
        let mut store = Self::new(flash, &layout)?;
        store.core.format()?;
        store.core.mount(store.entries.as_mut_view())?;
        Ok(store)
    }

    fn new(flash: F, layout: &Layout) -> Result<Self, Error<F::Error>> {
        let geometry = Geometry::check(layout, &flash).map_err(Error::Layout)?;
        let log = Log {
            epoch: 0,
            head: 0,
            tail: 0,
            end: 0,
            live: Live::default(),
            head_live: Live::default(),
            tail_live: Live::default(),
            spare_erased: false,
            poisoned: true,
            damaged: 0,
        };
        Ok(Self { core: Core { medium: Medium { flash, geometry }, log }, entries: Vec::new() })
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
        let change = Change::delete(key);
        self.core.check(&change)?;
        let hash = crc32c(change.key());
        let index = self.entries.as_mut_view();
        let existed = self.core.position(change.key(), hash, index).is_some();
        if existed {
            self.core.write(&[change], index)?;
        }
        Ok(existed)
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
        for change in changes {
            self.core.check(change)?;
        }
        self.core.write(changes, self.entries.as_mut_view())
    }

    /// Reads the value of `key` into `buffer`; `None` if there is no such key.
    ///
    /// Flash work: one read for short records, two if the buffer has room for the trailer behind
    /// the value too (8 bytes and up to a program unit more), else three. No byte of the record is
    /// read twice. Nothing is programmed.
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
        if self.core.log.poisoned {
            return Err(Error::ReopenNeeded);
        }
        match self.core.load(key, self.entries.as_mut_view(), buffer) {
            Ok(Some(len)) => Ok(buffer.get(..len)),
            Ok(None) => Ok(None),
            Err(error) => Err(error),
        }
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
        if self.core.log.poisoned {
            return Err(Error::ReopenNeeded);
        }
        let mut window = [0; WINDOW];
        for entry in &self.entries {
            let limit = self.core.limit_at(entry.address);
            let looked = self.core.medium.look_at_key(entry.address, limit, &mut window);
            let (found, key) = looked.ok_or(Error::Corrupt)?;
            if crc32c(key) != entry.hash {
                return Err(Error::Corrupt);
            }
            each(key, found.header.value_len as usize);
        }
        Ok(())
    }

    /// Does in idle time what a later `put` would have to wait for: erases the spare when three
    /// quarters of the head are used, turns the sector when it is nearly full. Call it when a
    /// blocking time of an erase does no harm; a cut during it costs nothing but the erase.
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
        if self.core.log.poisoned {
            return Err(Error::ReopenNeeded);
        }
        self.core.restart()?;
        self.entries.clear();
        Ok(())
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
            sector_turns: log.head.saturating_sub(g.sectors).saturating_add(1),
            damaged_records: log.damaged,
        }
    }

    /// Gives the flash back.
    pub fn into_flash(self) -> F {
        self.core.medium.flash
    }
}

impl<F: NorFlash> Core<F> {
    fn check(&self, change: &Change<'_>) -> Result<(), Error<F::Error>> {
        if self.log.poisoned {
            return Err(Error::ReopenNeeded);
        }
        if !key_is_valid(change.key()) {
            return Err(Error::InvalidKey);
        }
        if change.value().len() > self.medium.geometry.max_value() as usize {
            return Err(Error::TooLarge);
        }
        Ok(())
    }

    /// Makes checked changes, if one of them changes something.
    fn write(&mut self, changes: &[Change<'_>], index: &mut Index) -> Result<(), Error<F::Error>> {
        let mut needed = false;
        for change in effective(changes) {
            needed = needed || !self.changes_nothing(change, index)?;
        }
        if !needed {
            return Ok(());
        }
        let g = self.medium.geometry;
        let mut load = Live::default();
        let (mut added, mut removed) = (0, 0);
        for change in effective(changes) {
            let Header { key_len, value_len, .. } = change.header(false);
            load = load.plus(g.record_bytes(key_len, value_len));
            let exists = self.position(change.key(), crc32c(change.key()), index).is_some();
            added += usize::from(change.is_put() && !exists);
            removed += usize::from(!change.is_put() && exists);
        }
        if !g.fits(load.bytes, load.count) {
            return Err(Error::TooLarge);
        }
        if index.len() + added > index.capacity() + removed {
            return Err(Error::IndexFull);
        }
        let must_seal = self.log_is_long() && self.log.head != self.log.tail && {
            let sum = self.log.tail_live.and(load);
            !g.fits(sum.bytes, sum.count)
        };
        let head_sum = self.log.head_live.and(load);
        let fits = g.fits(head_sum.bytes, head_sum.count);
        if fits && self.end_of(changes, must_seal) <= g.sector_bytes {
            return self.append(changes, must_seal, index);
        }
        let Some(turns) = self.turns_needed(changes, index)? else { return Err(Error::Full) };
        for _ in 0..turns {
            let load = Load { changes: &[], suspect: None, previous_end: self.log.end };
            self.turn(&load, index)?;
        }
        let load = Load { changes, suspect: None, previous_end: self.log.end };
        self.turn(&load, index)?;
        Ok(())
    }

    /// Whether the change asks for what is there already.
    fn changes_nothing(
        &mut self,
        change: &Change<'_>,
        index: &Index,
    ) -> Result<bool, Error<F::Error>> {
        let found = match self.position(change.key(), crc32c(change.key()), index) {
            None => return Ok(!change.is_put()),
            Some((_, None)) => return Ok(false),
            Some((_, Some(found))) => found,
        };
        if !change.is_put() || found.header.value_len as usize != change.value().len() {
            return Ok(false);
        }
        let start = self.medium.geometry.value_at(&found) - found.address;
        let mut equal = true;
        let life = self.life(self.sequence_at(found.address));
        let (want, have) = self.medium.scan(&found, life, &mut |at, bytes| {
            let skip = start.saturating_sub(at) as usize;
            let from = at.saturating_sub(start) as usize;
            let stored = bytes.get(skip..).unwrap_or(&[]);
            let wanted = change.value().get(from..).unwrap_or(&[]);
            equal &= stored.iter().zip(wanted).all(|(a, b)| a == b);
        })?;
        Ok(equal && want == have)
    }

    /// Where the head would end after an append of `changes`.
    fn end_of(&self, changes: &[Change<'_>], seal: bool) -> u32 {
        let g = self.medium.geometry;
        let mut at = self.log.end;
        let mut add = |header: Header| {
            at = g.record_end(g.place(at), header.key_len, header.value_len);
        };
        for change in effective(changes) {
            add(change.header(false));
        }
        if changes.len() > 1 {
            add(COMMIT);
        }
        if seal {
            add(SEAL);
        }
        at
    }

    /// Appends to the head: a record, or a batch and its commit.
    fn append(
        &mut self,
        changes: &[Change<'_>],
        seal: bool,
        index: &mut Index,
    ) -> Result<(), Error<F::Error>> {
        let g = self.medium.geometry;
        let base = self.base(self.log.head);
        let start = base + self.log.end;
        let pending = changes.len() > 1;
        let mut at = start;
        self.log.poisoned = true;
        for change in effective(changes) {
            self.write_change(change, pending, &mut at)?;
        }
        if pending {
            let ([a, b, c], [d, e, f]) = (u24(start - base), u24(at - base));
            self.write_record(COMMIT, &[], &[a, b, c, d, e, f], &mut at)?;
        }
        if seal {
            self.write_record(SEAL, &[], &[], &mut at)?;
        }
        self.log.end = g.place(at - base);
        for puts in [false, true] {
            let mut at = start;
            for change in effective(changes) {
                let header = change.header(pending);
                let address = base + g.place(at - base);
                let offset = g.record_end(address - base, header.key_len, header.value_len);
                let end = base + offset;
                at = end;
                if change.is_put() == puts {
                    self.take_effect(change, &Found { address, end, header }, index);
                }
            }
        }
        self.log.poisoned = false;
        Ok(())
    }

    /// Lets a change that is in the head take effect in RAM.
    fn take_effect(&mut self, change: &Change<'_>, record: &Found, index: &mut Index) {
        let hash = crc32c(change.key());
        let old = self.position(change.key(), hash, index);
        if let Some((_, Some(found))) = &old {
            self.note_gone(found);
        }
        let position = old.map(|(position, _)| position);
        if change.is_put() {
            set(index, position, hash, record.address);
            self.note_live(record);
        } else if let Some(position) = position {
            index::remove(index, position);
        }
    }

    fn tidy(&mut self, index: &mut Index) -> Result<(), Error<F::Error>> {
        if self.log.poisoned {
            return Err(Error::ReopenNeeded);
        }
        let g = self.medium.geometry;
        let moved = if self.log_is_long() { self.log.tail_live.bytes } else { 0 };
        if self.log.end > g.sector_bytes / 16 * 15 && moved < g.sector_bytes / 4 * 3 {
            let load = Load { changes: &[], suspect: None, previous_end: self.log.end };
            self.turn(&load, index)?;
        } else if self.log.end > g.sector_bytes / 4 * 3 && !self.log.spare_erased {
            self.log.poisoned = true;
            self.medium.erase(self.sector(self.log.head + 1))?;
            self.log.poisoned = false;
            self.log.spare_erased = true;
        }
        Ok(())
    }

    /// Reads a value; its length.
    fn load(
        &mut self,
        key: &[u8],
        index: &Index,
        buffer: &mut [u8],
    ) -> Result<Option<usize>, Error<F::Error>> {
        let hash = crc32c(key);
        let first = index::lower_bound(index, hash);
        let mut window = [0; WINDOW];
        let mut damaged = false;
        for entry in index.iter().skip(first).take_while(|e| e.hash == hash) {
            let limit = self.limit_at(entry.address);
            let look = self.medium.geometry.header() + key.len() as u32 + 48;
            let Some((found, seen)) = self.medium.look(entry.address, limit, look, &mut window)
            else {
                damaged = true;
                continue;
            };
            let start = self.medium.geometry.header() as usize;
            if window.get(start..start + found.header.key_len as usize) == Some(key) {
                let seen = window.get(..seen).unwrap_or(&[]);
                return self.load_found(&found, seen, buffer).map(Some);
            }
        }
        if damaged {
            self.log.damaged = self.log.damaged.saturating_add(1);
            return Err(Error::Corrupt);
        }
        Ok(None)
    }

    /// Reads the rest of a record of which the first bytes were seen, and checks it.
    fn load_found(
        &mut self,
        found: &Found,
        seen: &[u8],
        buffer: &mut [u8],
    ) -> Result<usize, Error<F::Error>> {
        let len = found.header.value_len as usize;
        if buffer.len() < len {
            return Err(Error::BufferTooSmall { needed: len });
        }
        let life = self.life(self.sequence_at(found.address));
        let mut check = Check::new(life, self.medium.geometry.offset_of(found.address));
        let g = self.medium.geometry;
        let mut stored = [0; MAX_TRAILER as usize];
        let record = (found.end - found.address) as usize;
        let body = record - g.trailer() as usize;
        let value_at = (g.value_at(found) - found.address) as usize;
        // Everything from `at` in the record on, in order.
        let mut take = |at: usize, bytes: &[u8]| {
            let (covered, trailer) = bytes.split_at(body.saturating_sub(at).min(bytes.len()));
            check.update(covered);
            let skip = (at + covered.len()).saturating_sub(body);
            copy(stored.get_mut(skip..).unwrap_or(&mut []), trailer);
        };
        let seen = seen.get(..seen.len().min(record)).unwrap_or(seen);
        take(0, seen);
        let have = seen.len().saturating_sub(value_at).min(len);
        copy(buffer, seen.get(value_at..value_at + have).unwrap_or(&[]));
        let mut at = seen.len();
        let address = found.address + at as u32;
        if at < record && have < len && buffer.len() >= have + record - at {
            let rest = buffer.get_mut(have..have + record - at).unwrap_or(&mut []);
            self.medium.read(address, rest)?;
            take(at, rest);
            at = record;
        } else if have < len {
            let rest = buffer.get_mut(have..len).unwrap_or(&mut []);
            self.medium.read(address, rest)?;
            take(at, rest);
            at += len - have;
        }
        let mut piece = [0; 64];
        while at < record {
            let n = (record - at).min(piece.len());
            let piece = piece.get_mut(..n).unwrap_or(&mut []);
            self.medium.read(found.address + at as u32, piece)?;
            take(at, piece);
            at += n;
        }
        if check.trailer(g.trailer()) == stored {
            Ok(len)
        } else {
            self.log.damaged = self.log.damaged.saturating_add(1);
            Err(Error::Corrupt)
        }
    }
}
