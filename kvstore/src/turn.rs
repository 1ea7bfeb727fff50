//! The turn of a sector: the spare is erased, takes what must live on, and becomes the head.
//!
//! Until the mark is programmed the new sector counts for nothing; a cut before costs only the
//! erase. From then on the oldest sector is retired if the log had grown to all sectors but one.

use embedded_storage::nor_flash::NorFlash;

use crate::change::{Change, effective};
use crate::error::Error;
use crate::index::{self, Index};
use crate::layout::OPENING;
use crate::medium::{Found, copy};
use crate::record::{Header, Kind, Opening, crc32c};
use crate::settle::Suspect;
use crate::walk::{Core, Held, Live};
use crate::writer::Writer;

/// What else goes into the new sector.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Load<'a> {
    pub(crate) changes: &'a [Change<'a>],
    /// A mount's suspect record, not yet applied to the index.
    pub(crate) suspect: Option<Suspect>,
    /// Offset where the accepted log ends in the sector before.
    pub(crate) previous_end: u32,
}

impl<F: NorFlash> Core<F> {
    pub(crate) const fn log_is_long(&self) -> bool {
        self.log.head - self.log.tail + 2 >= self.medium.geometry.sectors
    }

    /// Turns the sector. `false`: the suspect no longer passes its checks, and nothing counts.
    pub(crate) fn turn(
        &mut self,
        load: &Load<'_>,
        index: &mut Index,
    ) -> Result<bool, Error<F::Error>> {
        let tail = self.log.tail;
        let retires = self.log_is_long();
        self.begin_sector()?;
        let mut at = self.base(self.log.head) + self.medium.geometry.first_record();
        // First, so that what it replaces in the tail is not copied. Its effect is taken from the
        // copy: bits of the record itself may read differently each time.
        if let Some(suspect) = &load.suspect
            && !self.carry_suspect(suspect, &mut at, index)?
        {
            return Ok(false);
        }
        if retires {
            for position in 0..index.len() {
                let Some(&entry) = index.get(position) else { break };
                if self.medium.geometry.sector_of(entry.address) != self.sector(tail) {
                    continue;
                }
                let Some(source) = self.header_at(entry.address) else {
                    self.log.damaged += 1;
                    continue;
                };
                if self.is_replaced(entry.hash, &source, load.changes) {
                    continue;
                }
                let (copied, _) = self.copy_record(&source, &mut at)?;
                if let Some(entry) = index.get_mut(position) {
                    entry.address = copied.address;
                }
            }
        }
        let in_tail = |core: &Self, address| {
            retires && core.medium.geometry.sector_of(address) == core.sector(tail)
        };
        // Deletes first, so that a later mount's index never holds more than this one.
        for change in effective(load.changes).filter(|c| !c.is_put()) {
            let hash = crc32c(change.key());
            let Some((position, found)) = self.position(change.key(), hash, index) else {
                continue;
            };
            // What the retired sector held was the oldest version: it goes with the sector.
            if !found.is_some_and(|found| in_tail(self, found.address)) {
                self.write_change(change, false, &mut at)?;
            }
            index::remove(index, position);
        }
        for change in effective(load.changes).filter(|c| c.is_put()) {
            let hash = crc32c(change.key());
            let position = self.position(change.key(), hash, index);
            let found = self.write_change(change, false, &mut at)?;
            set(index, position.map(|(position, _)| position), hash, found.address);
        }
        let tail = if retires { tail + 1 } else { tail };
        self.finish_sector(tail, load.previous_end, at)?;
        self.sum_live(index);
        Ok(true)
    }

    /// Starts the log anew in the spare, with no records. Atomic: the mark makes it count.
    pub(crate) fn restart(&mut self) -> Result<(), Error<F::Error>> {
        let end = self.log.end;
        self.begin_sector()?;
        self.log.epoch = self.log.epoch.wrapping_add(1);
        let at = self.base(self.log.head) + self.medium.geometry.first_record();
        self.finish_sector(self.log.head, end, at)?;
        self.log.live = Live::default();
        self.log.head_live = Live::default();
        self.log.tail_live = Live::default();
        Ok(())
    }

    /// Erases the spare, in this power-up: reading blank proves nothing.
    fn begin_sector(&mut self) -> Result<(), Error<F::Error>> {
        let next = self.log.head + 1;
        // Until the sector counts, RAM and flash disagree.
        self.log.poisoned = true;
        if !self.log.spare_erased {
            self.medium.erase(self.sector(next))?;
        }
        self.log.spare_erased = false;
        self.log.head = next;
        Ok(())
    }

    /// Writes the opening and then the mark, which makes the sector count.
    pub(crate) fn finish_sector(
        &mut self,
        tail: u32,
        previous_end: u32,
        at: u32,
    ) -> Result<(), Error<F::Error>> {
        let g = self.medium.geometry;
        let base = self.base(self.log.head);
        let opening = Opening {
            life: self.life(self.log.head),
            older: self.log.head - tail,
            previous_end,
            proven_end: at - base,
        };
        let mut bytes = [0xFF; 32];
        copy(&mut bytes, &opening.encode(g.shape()));
        let len = g.mark().max(OPENING) as usize;
        self.medium.program(base, bytes.get(..len).unwrap_or(&bytes))?;
        self.medium.zero(base + g.mark(), g.unit)?;
        self.log.tail = tail;
        self.log.end = g.place(at - base);
        self.log.poisoned = false;
        Ok(())
    }

    /// Writes a suspect record again, of a commit its whole batch, and lets the copy take effect.
    /// `false`: it does not pass its checks any more.
    fn carry_suspect(
        &mut self,
        suspect: &Suspect,
        at: &mut u32,
        index: &mut Index,
    ) -> Result<bool, Error<F::Error>> {
        if suspect.found.header.kind != Kind::Commit {
            let (copied, whole) = self.copy_record(&suspect.found, at)?;
            if whole {
                let key = self.key_of(&copied);
                self.apply(&Held::Record(copied, key), index)?;
            }
            return Ok(whole);
        }
        // Deletes first, as everywhere: an index never holds more than it did.
        for kind in [Kind::PendingDelete, Kind::PendingPut] {
            self.each_in_batch(suspect.extent, &mut |core, found| {
                if found.header.kind == kind {
                    let (copied, _) = core.copy_record(found, at)?;
                    let key = core.key_of(&copied);
                    core.apply(&Held::Record(copied, key), index)?;
                }
                Ok(())
            })?;
        }
        Ok(true)
    }

    /// Copies a record to the next place of the new sector, as a plain put or delete; tells
    /// whether it passes its checks. A damaged record makes a damaged copy.
    fn copy_record(
        &mut self,
        source: &Found,
        at: &mut u32,
    ) -> Result<(Found, bool), Error<F::Error>> {
        let kind = match source.header.kind {
            Kind::Delete | Kind::PendingDelete => Kind::Delete,
            _ => Kind::Put,
        };
        let life = self.life(self.sequence_at(source.address));
        let header = Header { kind, ..source.header };
        let address = self.placed(*at);
        let new_life = self.life(self.log.head);
        let mut writer = Writer::start(&mut self.medium, new_life, address, header)?;
        let difference = writer.push_from(source, life)?;
        let end = writer.finish(difference)?;
        *at = end;
        Ok((Found { address, end, header }, difference == [0; 7]))
    }

    /// Writes a change's record at the next place of the head.
    pub(crate) fn write_change(
        &mut self,
        change: &Change<'_>,
        pending: bool,
        at: &mut u32,
    ) -> Result<Found, Error<F::Error>> {
        self.write_record(change.header(pending), change.key(), change.value(), at)
    }

    /// Writes a record at the next place of the head.
    pub(crate) fn write_record(
        &mut self,
        header: Header,
        key: &[u8],
        value: &[u8],
        at: &mut u32,
    ) -> Result<Found, Error<F::Error>> {
        let address = self.placed(*at);
        let life = self.life(self.log.head);
        let mut writer = Writer::start(&mut self.medium, life, address, header)?;
        writer.push(key)?;
        writer.push(value)?;
        let end = writer.finish([0; 7])?;
        *at = end;
        Ok(Found { address, end, header })
    }

    /// Address where a record in the head may start that follows on `address`.
    fn placed(&self, address: u32) -> u32 {
        let base = self.base(self.log.head);
        base + self.medium.geometry.place(address - base)
    }

    /// How many plain turns must come before a turn that takes `changes` along; `None`: the store
    /// is full.
    pub(crate) fn turns_needed(
        &mut self,
        changes: &[Change<'_>],
        index: &Index,
    ) -> Result<Option<u32>, Error<F::Error>> {
        let g = self.medium.geometry;
        let size = |c: &Change<'_>| g.record_bytes(c.key().len() as u32, c.value().len() as u32);
        let mut load = Live::default();
        for change in effective(changes) {
            load = load.plus(size(change));
        }
        if !self.log_is_long() {
            return Ok(g.fits(load.bytes, load.count).then_some(0));
        }
        for turns in 0..=self.log.head - self.log.tail {
            let sequence = self.log.tail + turns;
            let mut load = load;
            for change in effective(changes).filter(|c| !c.is_put()) {
                let hash = crc32c(change.key());
                match self.position(change.key(), hash, index) {
                    Some((_, None)) => {}
                    Some((_, Some(found))) if self.sequence_at(found.address) != sequence => {}
                    _ => load = load.minus(size(change)),
                }
            }
            let sum = self.live_in(sequence, index, changes).and(load);
            if g.fits(sum.bytes, sum.count) {
                return Ok(Some(turns));
            }
        }
        Ok(None)
    }
}

/// Points the index to a new record of a key.
pub(crate) fn set(index: &mut Index, position: Option<usize>, hash: u32, address: u32) {
    match position.and_then(|position| index.get_mut(position)) {
        Some(entry) => entry.address = address,
        // Room was checked before anything was written.
        None => {
            index::insert(index, hash, address);
        }
    }
}
