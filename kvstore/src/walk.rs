//! The walk over a sector: which records count.
//!
//! A walk reads headers only. A header behind a record proves the record whole, so just the last
//! one is in doubt. Where no header can be read, the next settle record behind tells how much of
//! what came before is accepted.

use embedded_storage::nor_flash::NorFlash;

use crate::change::Change;
use crate::error::Error;
use crate::index::{self, Index};
use crate::layout::MAX_KEY;
use crate::medium::{Found, Medium, Settle, WINDOW, copy};
use crate::record::{Kind, Life, crc32c};

/// State of the log in RAM.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Log {
    pub(crate) epoch: u32,
    /// Sequence number of the sector that takes appends; number s lives in sector s mod N.
    pub(crate) head: u32,
    /// Sequence number of the oldest live sector.
    pub(crate) tail: u32,
    /// Offset of the next record in the head.
    pub(crate) end: u32,
    /// All live records.
    pub(crate) live: Live,
    pub(crate) head_live: Live,
    pub(crate) tail_live: Live,
    /// The spare was erased in this power-up.
    pub(crate) spare_erased: bool,
    /// A flash error left the state unknown.
    pub(crate) poisoned: bool,
    pub(crate) damaged: u32,
}

/// Live records of a sector.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Live {
    pub(crate) bytes: u32,
    pub(crate) count: u32,
}

impl Live {
    pub(crate) const fn plus(self, bytes: u32) -> Self {
        Self { bytes: self.bytes + bytes, count: self.count + 1 }
    }

    pub(crate) const fn minus(self, bytes: u32) -> Self {
        Self { bytes: self.bytes.saturating_sub(bytes), count: self.count.saturating_sub(1) }
    }

    pub(crate) const fn and(self, other: Self) -> Self {
        Self { bytes: self.bytes + other.bytes, count: self.count + other.count }
    }
}

/// The store without its index.
#[derive(Debug)]
pub(crate) struct Core<F> {
    pub(crate) medium: Medium<F>,
    pub(crate) log: Log,
}

/// A record whose part in the log depends on what stands behind it.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Held {
    Record(Found, Key),
    Settle(Settle),
}

/// A key read once, and its hash.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Key {
    bytes: [u8; MAX_KEY],
    len: usize,
    pub(crate) hash: u32,
}

impl Key {
    fn new(key: &[u8]) -> Self {
        let mut bytes = [0; MAX_KEY];
        copy(&mut bytes, key);
        Self { bytes, len: key.len(), hash: crc32c(key) }
    }

    fn bytes(&self) -> &[u8] {
        self.bytes.get(..self.len).unwrap_or(&[])
    }
}

impl Held {
    pub(crate) const fn address(&self) -> u32 {
        match self {
            Self::Record(found, _) => found.address,
            Self::Settle(settle) => settle.found.address,
        }
    }
}

/// Where a walk ended.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stop {
    /// Offset of the place that holds no record.
    pub(crate) offset: u32,
    /// The last record but one, not applied yet.
    pub(crate) before: Option<Held>,
    /// The last record, not applied yet.
    pub(crate) last: Option<Held>,
}

/// What is done with each record of a batch.
pub(crate) type Visit<'a, C, E> = dyn FnMut(&mut C, &Found) -> Result<(), Error<E>> + 'a;

impl<F: NorFlash> Core<F> {
    /// Physical sector of a sequence number.
    pub(crate) const fn sector(&self, sequence: u32) -> u32 {
        sequence % self.medium.geometry.sectors
    }

    /// Address of the first byte of a sector.
    pub(crate) const fn base(&self, sequence: u32) -> u32 {
        self.sector(sequence) * self.medium.geometry.sector_bytes
    }

    pub(crate) const fn life(&self, sequence: u32) -> Life {
        Life { epoch: self.log.epoch, sequence }
    }

    /// Sequence number of the log sector an address lies in.
    pub(crate) const fn sequence_at(&self, address: u32) -> u32 {
        let g = self.medium.geometry;
        let back = (self.sector(self.log.head) + g.sectors - g.sector_of(address)) % g.sectors;
        self.log.head.wrapping_sub(back)
    }

    /// End of the sector an address lies in.
    pub(crate) const fn limit_at(&self, address: u32) -> u32 {
        let g = self.medium.geometry;
        (g.sector_of(address) + 1) * g.sector_bytes
    }

    /// The header of the record an index entry points to.
    pub(crate) fn header_at(&mut self, address: u32) -> Option<Found> {
        self.medium.header(address, self.limit_at(address))
    }

    /// Walks a sector up to `limit` (an offset) and applies what counts, but for the last two
    /// records.
    pub(crate) fn walk(
        &mut self,
        sequence: u32,
        limit: u32,
        index: &mut Index,
    ) -> Result<Stop, Error<F::Error>> {
        let g = self.medium.geometry;
        let base = self.base(sequence);
        let life = self.life(sequence);
        let mut stop = Stop { offset: g.first_record(), before: None, last: None };
        let mut window = [0; WINDOW];
        while stop.offset < limit {
            let at = base + stop.offset;
            if let Some((found, key)) = self.medium.look_at_key(at, base + limit, &mut window) {
                let key = Key::new(key);
                if let Some(held) = stop.before.take() {
                    self.apply(&held, index)?;
                }
                stop.before = stop.last.replace(Held::Record(found, key));
                stop.offset = g.place(found.end - base);
                continue;
            }
            let Some(settle) = self.medium.next_settle(base, stop.offset, limit, life) else {
                break;
            };
            for held in [stop.before.take(), stop.last.take()].into_iter().flatten() {
                if held.address() < base + settle.accepted {
                    self.apply(&held, index)?;
                }
            }
            stop.offset = g.place(settle.found.end - base);
            stop.last = Some(Held::Settle(settle));
        }
        Ok(stop)
    }

    /// A record's key; empty where it cannot be read (the record will be found damaged when it is
    /// asked for).
    pub(crate) fn key_of(&mut self, found: &Found) -> Key {
        let mut window = [0; WINDOW];
        let looked = self.medium.look_at_key(found.address, found.end, &mut window);
        Key::new(looked.map_or(&[], |(_, key)| key))
    }

    /// Lets a record take effect on the index.
    pub(crate) fn apply(&mut self, held: &Held, index: &mut Index) -> Result<(), Error<F::Error>> {
        let (found, key) = match held {
            Held::Record(found, key) => (*found, *key),
            Held::Settle(Settle { cargo: Some(cargo), .. }) => (*cargo, self.key_of(cargo)),
            Held::Settle(_) => return Ok(()),
        };
        match found.header.kind {
            Kind::Put | Kind::Delete => self.apply_change(&found, &key, index),
            Kind::Commit => {
                let extent = self.medium.commit_extent(&found)?;
                self.apply_batch(extent, index)
            }
            Kind::PendingPut | Kind::PendingDelete | Kind::Seal | Kind::Settle => Ok(()),
        }
    }

    /// Applies the records a commit names: deletes first, so that the index never holds more than
    /// it did when the batch was made. A batch names each key once.
    pub(crate) fn apply_batch(
        &mut self,
        extent: (u32, u32),
        index: &mut Index,
    ) -> Result<(), Error<F::Error>> {
        for kind in [Kind::PendingDelete, Kind::PendingPut] {
            self.each_in_batch(extent, &mut |core, found| {
                if found.header.kind != kind {
                    return Ok(());
                }
                let key = core.key_of(found);
                core.apply_change(found, &key, index)
            })?;
        }
        Ok(())
    }

    /// Visits the records of a batch.
    pub(crate) fn each_in_batch(
        &mut self,
        (start, end): (u32, u32),
        each: &mut Visit<'_, Self, F::Error>,
    ) -> Result<(), Error<F::Error>> {
        let g = self.medium.geometry;
        let base = start - g.offset_of(start);
        let mut at = start;
        while at < end {
            let Some(found) = self.medium.header(at, end) else {
                self.log.damaged += 1;
                break;
            };
            each(self, &found)?;
            at = base + g.place(found.end - base);
        }
        Ok(())
    }

    fn apply_change(
        &mut self,
        found: &Found,
        key: &Key,
        index: &mut Index,
    ) -> Result<(), Error<F::Error>> {
        let position = self.position(key.bytes(), key.hash, index).map(|(position, _)| position);
        let puts = matches!(found.header.kind, Kind::Put | Kind::PendingPut);
        match position {
            Some(position) if puts => {
                if let Some(entry) = index.get_mut(position) {
                    entry.address = found.address;
                }
            }
            Some(position) => index::remove(index, position),
            None if puts && !index::insert(index, key.hash, found.address) => {
                return Err(Error::IndexFull);
            }
            None => {}
        }
        Ok(())
    }

    /// The index entry of a key, and the record it points to; `None` for the record if its header
    /// can no longer be read: then the equal hash decides.
    pub(crate) fn position(
        &mut self,
        key: &[u8],
        hash: u32,
        index: &Index,
    ) -> Option<(usize, Option<Found>)> {
        let first = index::lower_bound(index, hash);
        let mut damaged = None;
        let mut window = [0; WINDOW];
        for (position, entry) in index.iter().enumerate().skip(first) {
            if entry.hash != hash {
                break;
            }
            let limit = self.limit_at(entry.address);
            match self.medium.look_at_key(entry.address, limit, &mut window) {
                Some((found, stored)) if stored == key => return Some((position, Some(found))),
                Some(_) => {}
                None => damaged = Some((position, None)),
            }
        }
        damaged
    }

    /// Sum of the live records of a sector that `changes` do not replace.
    pub(crate) fn live_in(&mut self, sequence: u32, index: &Index, changes: &[Change<'_>]) -> Live {
        let g = self.medium.geometry;
        let sector = self.sector(sequence);
        let mut live = Live::default();
        for entry in index {
            if g.sector_of(entry.address) != sector {
                continue;
            }
            if let Some(found) = self.header_at(entry.address)
                && !self.is_replaced(entry.hash, &found, changes)
            {
                live = live.plus(g.size(&found));
            }
        }
        live
    }

    /// Whether one of `changes` replaces or deletes this record's key.
    pub(crate) fn is_replaced(&mut self, hash: u32, found: &Found, changes: &[Change<'_>]) -> bool {
        let mut window = [0; WINDOW];
        changes.iter().any(|change| {
            crc32c(change.key()) == hash
                && self
                    .medium
                    .look_at_key(found.address, found.end, &mut window)
                    .is_some_and(|(_, key)| key == change.key())
        })
    }

    /// Takes a superseded record out of the live sums.
    pub(crate) fn note_gone(&mut self, found: &Found) {
        let bytes = self.medium.geometry.size(found);
        let sequence = self.sequence_at(found.address);
        self.log.live = self.log.live.minus(bytes);
        if sequence == self.log.head {
            self.log.head_live = self.log.head_live.minus(bytes);
        }
        if sequence == self.log.tail {
            self.log.tail_live = self.log.tail_live.minus(bytes);
        }
    }

    /// Adds a record just appended to the head to the live sums.
    pub(crate) fn note_live(&mut self, found: &Found) {
        let bytes = self.medium.geometry.size(found);
        self.log.live = self.log.live.plus(bytes);
        self.log.head_live = self.log.head_live.plus(bytes);
        if self.log.head == self.log.tail {
            self.log.tail_live = self.log.head_live;
        }
    }

    /// Takes the live sums anew from the index.
    pub(crate) fn sum_live(&mut self, index: &Index) {
        let g = self.medium.geometry;
        let (head, tail) = (self.sector(self.log.head), self.sector(self.log.tail));
        self.log.live = Live::default();
        self.log.head_live = Live::default();
        self.log.tail_live = Live::default();
        for entry in index {
            let Some(found) = self.header_at(entry.address) else { continue };
            let bytes = g.size(&found);
            self.log.live = self.log.live.plus(bytes);
            if g.sector_of(entry.address) == head {
                self.log.head_live = self.log.head_live.plus(bytes);
            }
            if g.sector_of(entry.address) == tail {
                self.log.tail_live = self.log.tail_live.plus(bytes);
            }
        }
    }
}
