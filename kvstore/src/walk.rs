//! The walk over a sector: which records count.
//!
//! A walk reads headers and keys only. A header behind a record proves the record whole, so just
//! the last one is in doubt. Where no header can be read, the next settle record behind tells how
//! much of what came before is accepted.

use embedded_storage::nor_flash::NorFlash;

use crate::error::Fault;
use crate::index::{self, Index};
use crate::log::Core;
use crate::medium::{Found, KeyBytes};
use crate::record::{Kind, crc32c};
use crate::settle_record::Settle;

/// A record whose part in the log depends on what stands behind it.
pub(crate) struct Held {
    pub(crate) found: Found,
    /// Whether it is the settle record that the walk keeps.
    pub(crate) settles: bool,
    hash: u32,
    /// Its first bytes, up to the end of the key.
    bytes: KeyBytes,
}

impl Held {
    pub(crate) const NONE: Self =
        Self { found: Found::NONE, settles: false, hash: 0, bytes: [0; _] };
}

/// How far a walk is.
pub(crate) struct Walk<'a> {
    /// Offset of the next place.
    pub(crate) offset: u32,
    /// How many records were met but not applied yet, at most the last two.
    pub(crate) held: u32,
    pub(crate) before: &'a mut Held,
    pub(crate) last: &'a mut Held,
    free: &'a mut Held,
    /// The settle record among them.
    pub(crate) settle: Settle,
    /// Shortest key met so far: of longer ones the rest is read, so no byte behind a key is.
    expected: u32,
}

impl<'a> Walk<'a> {
    pub(crate) const fn new(places: &'a mut [Held; 3]) -> Self {
        let [before, last, free] = places;
        Self { offset: 0, held: 0, before, last, free, settle: Settle::NONE, expected: 0 }
    }

    /// What was read into the free place is the last record now.
    const fn push(&mut self) {
        core::mem::swap(&mut self.before, &mut self.last);
        core::mem::swap(&mut self.last, &mut self.free);
        self.held += 1;
    }
}

/// What is done with each record of a batch.
pub(crate) type Visit<'a, C, E> = dyn FnMut(&mut C, &Found) -> Result<(), Fault<E>> + 'a;

impl<F: NorFlash> Core<F> {
    /// Walks a sector up to `limit` (an offset) and applies what counts, but for the last two
    /// records.
    pub(crate) fn walk(
        &mut self,
        sequence: u32,
        limit: u32,
        walk: &mut Walk<'_>,
        index: &mut Index,
    ) -> Result<(), Fault<F::Error>> {
        let g = self.medium.geometry;
        let base = self.base(sequence);
        let life = self.life(sequence);
        walk.offset = g.first_record();
        walk.held = 0;
        while walk.offset < limit {
            let (at, end, free) = (base + walk.offset, base + limit, &mut *walk.free);
            let looked = self.medium.look_at_key(at, end, walk.expected, &mut free.bytes);
            if let Some(found) = looked {
                #[cfg(not(feature = "counters"))]
                if found.header.kind == Kind::Tally {
                    return Err(Fault::Counters);
                }
                let key = g.key_in(&found, &free.bytes);
                let len = key.len() as u32;
                if len > 0 && (walk.expected == 0 || len < walk.expected) {
                    walk.expected = len;
                }
                (free.found, free.settles, free.hash) = (found, false, crc32c(key));
                if walk.held == 2 {
                    walk.held = 1;
                    self.apply(walk.before, &walk.settle, index)?;
                }
                walk.push();
            } else {
                let mut settle = Settle::NONE;
                if !self.medium.next_settle(at, end, life, &mut settle) {
                    break;
                }
                self.apply_held(walk, base + settle.accepted, index)?;
                (walk.free.found, walk.free.settles) = (settle.found, true);
                walk.settle = settle;
                walk.push();
            }
            walk.offset = g.place(walk.last.found.end - base);
        }
        Ok(())
    }

    /// Applies the held records that stand before `end` (an address) and drops the others.
    pub(crate) fn apply_held(
        &mut self,
        walk: &mut Walk<'_>,
        end: u32,
        index: &mut Index,
    ) -> Result<(), Fault<F::Error>> {
        for (place, held) in [(2, &walk.before), (1, &walk.last)] {
            if walk.held >= place && held.found.address < end {
                self.apply(held, &walk.settle, index)?;
            }
        }
        walk.held = 0;
        Ok(())
    }

    /// Lets a record take effect on the index.
    pub(crate) fn apply(
        &mut self,
        held: &Held,
        settle: &Settle,
        index: &mut Index,
    ) -> Result<(), Fault<F::Error>> {
        if held.settles {
            return self.apply_stored(&settle.cargo, index);
        }
        match held.found.header.kind {
            Kind::Tally | Kind::Put | Kind::Delete => {
                let key = self.medium.geometry.key_in(&held.found, &held.bytes);
                self.apply_change(&held.found, key, held.hash, index)
            }
            Kind::Commit => self.apply_stored(&held.found, index),
            _ => Ok(()),
        }
    }

    /// Lets a record take effect of which only the header was read.
    pub(crate) fn apply_stored(
        &mut self,
        found: &Found,
        index: &mut Index,
    ) -> Result<(), Fault<F::Error>> {
        match found.header.kind {
            Kind::Tally | Kind::Put | Kind::Delete => self.apply_read(found, index),
            Kind::Commit => {
                let extent = self.medium.commit_extent(found)?;
                // Deletes first, so that the index never holds more than it did when the batch
                // was made. A batch names each key once.
                for kind in [Kind::PendingDelete, Kind::PendingPut] {
                    self.each_in_batch(extent, &mut |core, found| {
                        if found.header.kind == kind {
                            core.apply_read(found, index)
                        } else {
                            Ok(())
                        }
                    })?;
                }
                Ok(())
            }
            _ => Ok(()),
        }
    }

    /// Reads the key of a change's record and lets it take effect. A key that cannot be read is
    /// taken as empty: the record will be found damaged when it is asked for.
    fn apply_read(&mut self, found: &Found, index: &mut Index) -> Result<(), Fault<F::Error>> {
        let mut bytes = [0; _];
        let expected = found.header.key_len();
        let looked = self.medium.look_at_key(found.address, found.end, expected, &mut bytes);
        let key = looked.map_or(&[][..], |found| self.medium.geometry.key_in(&found, &bytes));
        self.apply_change(found, key, crc32c(key), index)
    }

    /// Visits the records of a batch.
    pub(crate) fn each_in_batch(
        &mut self,
        (start, end): (u32, u32),
        each: &mut Visit<'_, Self, F::Error>,
    ) -> Result<(), Fault<F::Error>> {
        let mut at = start;
        while at < end {
            let Some(found) = self.medium.header(at, end) else {
                self.log.damaged += 1;
                break;
            };
            each(self, &found)?;
            at = self.medium.geometry.place(found.end);
        }
        Ok(())
    }

    /// Lets a put or delete take effect on index and live sums.
    pub(crate) fn apply_change(
        &mut self,
        found: &Found,
        key: &[u8],
        hash: u32,
        index: &mut Index,
    ) -> Result<(), Fault<F::Error>> {
        let (position, old) = self.position(key, hash, index);
        if let Some(old) = old {
            self.note(&old, false);
        }
        #[cfg(feature = "counters")]
        {
            self.log.tallies |= found.header.kind == Kind::Tally;
        }
        if !found.header.kind.puts() {
            if let Some(position) = position {
                index::remove(index, position);
            }
            return Ok(());
        }
        if let Some(entry) = position.and_then(|position| index.get_mut(position)) {
            entry.address = found.address;
        } else if !index::insert(index, hash, found.address) {
            return Err(Fault::IndexFull);
        }
        self.note(found, true);
        Ok(())
    }

    /// The index entry of a key, and the record it points to; `None` for the record if its header
    /// can no longer be read: then the equal hash decides.
    pub(crate) fn position(
        &mut self,
        key: &[u8],
        hash: u32,
        index: &Index,
    ) -> (Option<usize>, Option<Found>) {
        let first = index::lower_bound(index, hash);
        let mut damaged = None;
        for (position, entry) in index.iter().enumerate().skip(first) {
            if entry.hash != hash {
                break;
            }
            match self.has_key(entry.address, key) {
                Ok(None) => {}
                Ok(found) => return (Some(position), found),
                Err(()) => damaged = Some(position),
            }
        }
        (damaged, None)
    }

    /// The record at an index entry's address, if it has this key. `Err`: its header cannot be
    /// read.
    pub(crate) fn has_key(&mut self, address: u32, key: &[u8]) -> Result<Option<Found>, ()> {
        let mut bytes: KeyBytes = [0; _];
        let limit = self.limit_at(address);
        let len = self.medium.geometry.header() as usize + key.len();
        let bytes = bytes.get_mut(..len).unwrap_or(&mut []);
        let found = self.medium.look(address, limit, bytes).ok_or(())?;
        let equal = found.header.key_len() as usize == key.len() && bytes.ends_with(key);
        Ok(equal.then_some(found))
    }
}
