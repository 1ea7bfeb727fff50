//! Decides how changes enter the log: not at all, by an append, or with a compaction.

use embedded_storage::nor_flash::NorFlash;

use super::state::Core;
use crate::change::{Change, counted};
use crate::error::Error;
use crate::format::crc::crc32c;
use crate::format::geometry::{Geometry, Live};
use crate::format::record::{Header, Kind, RecordRef, key_is_valid};
use crate::index::Index;

impl<F: NorFlash> Core<F> {
    /// Makes the changes, unless all of them ask for what is stored already.
    pub(crate) fn write(
        &mut self,
        changes: &[Change<'_>],
        index: &mut Index,
    ) -> Result<(), Error<F::Error>> {
        let result = self.write_what_changes(changes, index);
        self.outcome(result)
    }

    fn write_what_changes(
        &mut self,
        changes: &[Change<'_>],
        index: &mut Index,
    ) -> Result<(), Error<F::Error>> {
        self.ready()?;
        let mut load = Live::NONE;
        if !self.must_write(changes, index, &mut load)? {
            return Ok(());
        }
        let seal = self.must_seal(load);
        if self.has_room(changes, load, seal) {
            self.append(changes, seal, index);
            return Ok(());
        }
        let compactions = self.compactions_needed(changes, load, index).ok_or(Error::Full)?;
        for _ in 0..compactions {
            self.compact(&[], None, self.log.end, index);
        }
        self.compact(changes, None, self.log.end, index);
        Ok(())
    }

    /// Checks that the changes are allowed, and returns whether they must be written. That is not
    /// the case if all of them ask for what is stored already. Adds up the size of their records in
    /// `load`.
    fn must_write(
        &mut self,
        changes: &[Change<'_>],
        index: &Index,
        load: &mut Live,
    ) -> Result<bool, Error<F::Error>> {
        let mut needed = false;
        let mut keys_afterwards = index.len();
        for change in counted(changes) {
            if !key_is_valid(change.key()) {
                return Err(Error::InvalidKey);
            }
            if change.value().len() > self.medium.geometry.max_value() as usize {
                return Err(Error::TooLarge);
            }
            *load = load.plus(self.medium.geometry.size(change.header(false)));
            let hash = crc32c(change.key());
            let (position, old) = self.position(change.key(), hash, index);
            match (change.is_put(), position) {
                (true, None) => keys_afterwards += 1,
                (false, Some(_)) => keys_afterwards = keys_afterwards.saturating_sub(1),
                _ => {}
            }
            needed = needed || !self.changes_nothing(change, position, old);
        }
        if !needed || self.medium.fault.is_some() {
            return Ok(false);
        }
        if !self.medium.geometry.fits(*load) {
            return Err(Error::TooLarge);
        }
        if keys_afterwards > index.capacity() {
            return Err(Error::IndexFull);
        }
        Ok(true)
    }

    /// Whether records of this size need a seal.
    ///
    /// A mount without room to settle moves the last record to a new sector, together with the
    /// tail's live records. If both would not fit there, a seal proves the record, so that no mount
    /// has to move it.
    const fn must_seal(&self, load: Live) -> bool {
        self.log_is_long()
            && self.log.head != self.log.tail
            && !self.medium.geometry.fits(self.log.tail_live.and(load))
    }

    /// Whether the head has room for the records of `changes`, and whether all its live records
    /// will fit into one sector when the head is compacted some day.
    // Outlined, since its frame is not needed afterwards.
    #[inline(never)]
    fn has_room(&self, changes: &[Change<'_>], load: Live, seal: bool) -> bool {
        let g = &self.medium.geometry;
        g.fits(self.log.head_live.and(load))
            && g.end_of(self.log.end, changes, seal) <= g.sector_bytes
    }

    /// Whether the change asks for what is stored already. `position` and `old` are the key's place
    /// in the index and its record.
    // Outlined, since its frame is not needed afterwards.
    #[inline(never)]
    fn changes_nothing(
        &mut self,
        change: &Change<'_>,
        position: Option<usize>,
        old: Option<RecordRef>,
    ) -> bool {
        if position.is_none() {
            return !change.is_put();
        }
        let Some(found) = old else { return false };
        if !change.is_put()
            || found.header.kind() == Kind::Tally
            || found.header.value_len() as usize != change.value().len()
        {
            return false;
        }
        let start = self.medium.geometry.value_at(found);
        let mut equal = true;
        let generation = self.generation_at(found.address);
        let passes = self.medium.scan(found, generation, &mut |_, at, bytes| {
            let skip = start.saturating_sub(at) as usize;
            let from = at.saturating_sub(start) as usize;
            let stored = bytes.get(skip..).unwrap_or(&[]);
            let wanted = change.value().get(from..).unwrap_or(&[]);
            equal &= stored.iter().zip(wanted).all(|(a, b)| a == b);
        });
        equal && passes
    }

    /// See [`Store::tidy`](crate::Store::tidy).
    pub(crate) fn tidy(&mut self, index: &mut Index) -> Result<(), Error<F::Error>> {
        self.ready()?;
        let moved = if self.log_is_long() { self.log.tail_live.bytes } else { 0 };
        if self.log.end > self.medium.geometry.sector_bytes / 16 * 15
            && moved < self.medium.geometry.sector_bytes / 4 * 3
        {
            self.compact(&[], None, self.log.end, index);
        } else if self.log.end > self.medium.geometry.sector_bytes / 4 * 3 && !self.log.spare_erased
        {
            self.medium.erase(self.sector(self.log.head + 1));
            self.log.spare_erased = true;
        }
        self.outcome(Ok(()))
    }
}

impl Geometry {
    /// Where the head would end after an append of `changes` at `offset`.
    fn end_of(&self, offset: u32, changes: &[Change<'_>], seal: bool) -> u32 {
        let mut end = offset;
        for change in counted(changes) {
            end = self.end_after(end, change.header(false));
        }
        if changes.len() > 1 {
            end = self.end_after(end, Header::COMMIT);
        }
        if seal {
            end = self.end_after(end, Header::SEAL);
        }
        end
    }
}
