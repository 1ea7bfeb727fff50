//! The walk over a sector: which records count.
//!
//! A walk reads headers and keys only. A header behind a record proves the record whole, so just
//! the last one is in doubt. Where no header can be read, the next settle record behind tells how
//! much of what came before is accepted.

use crate::suspect::{Held, START, Says};
use embedded_storage::nor_flash::NorFlash;

use crate::error::Fault;
use crate::index::{self, Index};
use crate::log::Core;
use crate::medium::copy;
use crate::record::Found;
use crate::record::{Kind, Opening, crc32c};
use crate::record::{MAX_HEADER, MAX_KEY};
use crate::suspect::Settle;
use crate::suspect::Suspect;

/// How far a walk is.
pub(crate) struct Walk {
    /// Offset of the next place.
    pub(crate) offset: u32,
    /// The last two records that were met and are not applied yet.
    pub(crate) before: Held,
    pub(crate) last: Held,
    next: Held,
    /// Shortest key met so far: of longer ones the rest is read, so no byte behind a key is.
    expected: u32,
}

impl Walk {
    pub(crate) const fn new() -> Self {
        let (before, last, next) = (Held::NONE, Held::NONE, Held::NONE);
        Self { offset: 0, before, last, next, expected: 0 }
    }
}

/// The puts and deletes that take effect with a record: itself, or the records that a commit names;
/// deletes first, so that an index never holds more than it did when the batch was made. A batch
/// names each key once.
pub(crate) struct Changes {
    pub(crate) found: Found,
    /// The kind to look for, or that of the record itself.
    wanted: Kind,
    /// Addresses between which the records stand, and the part not seen yet.
    extent: (u32, u32),
    rest: (u32, u32),
}

impl Changes {
    pub(crate) const fn of(record: &Suspect) -> Self {
        let Suspect { found, extent } = *record;
        // A pending record alone has no effect.
        let wanted = match found.header.kind() {
            kind if kind.is_pending() => Kind::Seal,
            kind => kind,
        };
        Self { found, wanted, extent, rest: extent }
    }
}

impl<F: NorFlash> Core<F> {
    /// Walks a sector up to `limit` (an offset) and applies what counts, but for the last two
    /// records.
    pub(crate) fn walk(&mut self, sequence: u32, limit: u32, walk: &mut Walk, index: &mut Index) {
        walk.before = Held::NONE;
        walk.last = Held::NONE;
        walk.offset = self.medium.geometry.first_record();
        while self.step(sequence, limit, walk) {
            let end = match walk.next.says {
                Says::Settle(settle) => self.base(sequence) + settle.accepted,
                // The one before last.
                Says::Key { .. } => walk.last.found.map_or(0, |found| found.address),
            };
            self.apply_held(walk, end, index);
            walk.before = walk.last;
            if let Says::Settle(_) = walk.next.says {
                walk.before.found = None;
            }
            walk.last = walk.next;
        }
    }

    /// Reads the record at the next place, or the settle record behind it; `false`: there is none.
    #[inline(never)] // Its stack and that of applying a record are not needed together.
    fn step(&mut self, sequence: u32, limit: u32, walk: &mut Walk) -> bool {
        let base = self.base(sequence);
        let (at, end) = (base + walk.offset, base + limit);
        if at >= end {
            return false;
        }
        let mut bytes = [0; MAX_HEADER as usize + START];
        // No more than is kept of a key: the rest is read later.
        let wanted = self.medium.geometry.header() as usize + START;
        let bytes = bytes.get_mut(..wanted).unwrap_or(&mut []);
        if let Some(found) = self.medium.look_at_key(at, end, walk.expected, bytes) {
            #[cfg(not(feature = "counters"))]
            if found.header.kind() == Kind::Tally {
                self.medium.fault = Some(Fault::Counters);
                return false;
            }
            let len = found.header.key_len();
            if len > 0 && (walk.expected == 0 || len < walk.expected) {
                walk.expected = len;
            }
            let mut start = [0; _];
            copy(&mut start, self.medium.geometry.key_in(found, bytes));
            let batch = match walk.last {
                Held { found: Some(last), says: Says::Key { batch, .. } }
                    if last.header.kind().is_pending() =>
                {
                    batch
                }
                _ => at,
            };
            walk.next = Held { found: Some(found), says: Says::Key { start, batch } };
        } else {
            let life = Some(self.life(sequence));
            let mut facts = Opening::NONE;
            if !self.medium.next_settle(at, end, life, &mut walk.next, &mut facts) {
                return false;
            }
        }
        walk.offset =
            walk.next.found.map_or(limit, |found| self.medium.geometry.place_behind(found) - base);
        true
    }

    /// Applies the held records that stand before `end` (an address).
    #[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image.
    pub(crate) fn apply_held(&mut self, walk: &Walk, end: u32, index: &mut Index) {
        for held in [&walk.before, &walk.last] {
            if let Some(found) = held.found
                && found.address < end
            {
                match &held.says {
                    Says::Key { start, batch } => {
                        self.apply(&Suspect::new(found, *batch), start, index);
                    }
                    Says::Settle(Settle { cargo: Some(cargo), .. }) => {
                        self.apply(cargo, &[], index);
                    }
                    Says::Settle(_) => {}
                }
            }
        }
    }

    /// Lets a record take effect on the index. `start`: the start of its key, if that was read. A key
    /// that cannot be read is taken as empty: the record will be found damaged when it is asked for.
    #[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image.
    pub(crate) fn apply(&mut self, record: &Suspect, start: &[u8], index: &mut Index) {
        // The key of a commit's record is not that of the commit.
        let start = if record.found.header.kind() == Kind::Commit { &[] } else { start };
        let mut changes = Changes::of(record);
        while self.next_change(&mut changes) {
            let found = changes.found;
            let mut bytes = [0; MAX_KEY];
            let mut key = bytes.get_mut(..found.header.key_len() as usize).unwrap_or(&mut []);
            copy(key, start);
            let at = self.medium.geometry.key_at(found) + start.len() as u32;
            if let Some(rest) = key.get_mut(start.len()..)
                && !rest.is_empty()
                && !self.medium.read(at, rest)
            {
                key = &mut [];
            }
            self.apply_change(found, key, crc32c(key), index);
        }
    }

    /// Goes on to the next put or delete; `false`: that was all.
    pub(crate) fn next_change(&mut self, changes: &mut Changes) -> bool {
        loop {
            match changes.wanted {
                Kind::Tally | Kind::Put | Kind::Delete => {
                    changes.wanted = Kind::Seal;
                    return true;
                }
                Kind::Commit => {
                    changes.wanted = Kind::PendingDelete;
                    changes.rest = changes.extent;
                }
                Kind::PendingDelete | Kind::PendingPut => {
                    if let Some(found) = self.next_in_batch(&mut changes.rest) {
                        changes.found = found;
                        if found.header.kind() == changes.wanted {
                            return true;
                        }
                    } else if changes.wanted == Kind::PendingDelete {
                        changes.wanted = Kind::PendingPut;
                        changes.rest = changes.extent;
                    } else {
                        return false;
                    }
                }
                Kind::Settle | Kind::Seal => return false,
            }
        }
    }

    /// The next record of a batch, which stands between two addresses; the first of them moves on.
    pub(crate) fn next_in_batch(&mut self, (at, end): &mut (u32, u32)) -> Option<Found> {
        if *at >= *end {
            return None;
        }
        let found = self.medium.header(*at, *end);
        if let Some(found) = &found {
            *at = self.medium.geometry.place_behind(*found);
        } else {
            self.log.damaged += 1;
        }
        found
    }

    /// Lets a put or delete take effect on index and live sums.
    pub(crate) fn apply_change(&mut self, found: Found, key: &[u8], hash: u32, index: &mut Index) {
        let (position, old) = self.position(key, hash, index);
        if let Some(old) = old {
            self.note(old, false);
        }
        #[cfg(feature = "counters")]
        {
            self.log.tallies |= found.header.kind() == Kind::Tally;
        }
        if !found.header.kind().puts() {
            if let Some(position) = position {
                index::remove(index, position);
            }
            return;
        }
        if let Some(entry) = position.and_then(|position| index.get_mut(position)) {
            entry.address = found.address;
        } else if !index::insert(index, hash, found.address) {
            self.medium.fault = Some(Fault::IndexFull);
        }
        self.note(found, true);
    }

    /// The index entry of a key, and the record it points to; `None` for the record if its header
    /// can no longer be read: then the equal hash decides.
    pub(crate) fn position(
        &mut self,
        key: &[u8],
        hash: u32,
        index: &Index,
    ) -> (Option<usize>, Option<Found>) {
        let mut position = index::lower_bound(index, hash);
        let mut damaged = None;
        while let Some(entry) = index.get(position)
            && entry.hash == hash
        {
            match self.has_key(entry.address, key) {
                Ok(None) => {}
                Ok(found) => return (Some(position), found),
                Err(()) => damaged = Some(position),
            }
            position += 1;
        }
        (damaged, None)
    }

    /// The record at an index entry's address, if it has this key. `Err`: its header cannot be
    /// read.
    pub(crate) fn has_key(&mut self, address: u32, key: &[u8]) -> Result<Option<Found>, ()> {
        let limit = self.limit_at(address);
        let mut bytes = [0; MAX_HEADER as usize + START];
        let (start, mut rest) = key.split_at(key.len().min(START));
        let header = self.medium.geometry.header() as usize;
        let first = bytes.get_mut(..header + start.len()).unwrap_or(&mut []);
        let found = self.medium.look(address, limit, first).ok_or(())?;
        if found.header.key_len() as usize != key.len() || !first.ends_with(start) {
            return Ok(None);
        }
        // Longer keys piece by piece, for the sake of the stack.
        while !rest.is_empty() {
            let (now, later) = rest.split_at(rest.len().min(bytes.len()));
            let stored = bytes.get_mut(..now.len()).unwrap_or(&mut []);
            let at = self.medium.geometry.value_at(found) - rest.len() as u32;
            if !self.medium.read(at, stored) {
                return Err(());
            }
            if stored != now {
                return Ok(None);
            }
            rest = later;
        }
        Ok(Some(found))
    }
}
