//! Decides how changes enter the log: not at all, by an append, or with a compaction.

use embedded_storage::nor_flash::NorFlash;

use super::log_end::LogEnd;
use super::lookup::Value;
use super::state::{Core, Log, Spare};
use crate::change::{Change, counted};
use crate::error::Error;
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
        let seal = self.must_seal(load, index);
        let end = self.medium.geometry.end_of(self.log.end, changes, seal);
        if self.has_room(load, end) {
            self.wake(index);
            // That may take some of the room.
            self.ready_spare(index);
            let seal = self.must_seal(load, index);
            let end = self.medium.geometry.end_of(self.log.end, changes, seal);
            if self.has_room(load, end) && self.append(changes, seal, index)
                || self.medium.fault.is_some()
            {
                return Ok(());
            }
        }
        // A change for which there is no room programs nothing.
        self.compactions_needed(changes, load, index).ok_or(Error::Full)?;
        self.wake(index);
        self.prepare_spare(&LogEnd::at(self.log.end), index);
        // Counted again: the log may have been settled in a new sector, or one more sector of it
        // have retired. If there is no room now, no spare record is written: OUT may have been
        // written before it, and a mount relies on OUT.
        let compactions = self.compactions_needed(changes, load, index).ok_or(Error::Full)?;
        for _ in 0..compactions {
            self.compact(&[], index);
        }
        self.compact(changes, index);
        self.ready_spare(index);
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
            let mut value = Value::Compare(change.value(), false);
            let (position, old) = self.position(change.key(), index, &mut value);
            let equal = matches!(value, Value::Compare(_, true));
            match (change.is_put(), position) {
                (true, None) => keys_afterwards += 1,
                (false, Some(_)) => keys_afterwards = keys_afterwards.saturating_sub(1),
                _ => {}
            }
            needed |= match old {
                Some(old) => !equal || !self.confirms(change, old),
                None => position.is_some() || change.is_put(),
            };
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
    pub(crate) fn must_seal(&mut self, load: Live, index: &Index) -> bool {
        let Log { head, tail, tail_live, .. } = self.log;
        self.tail_may_retire()
            && head != tail
            && (!self.medium.geometry.fits(tail_live.and(load))
                || self.may_be_retired() && {
                    let next_tail_live = self.live_in(tail + 1, index, &[]);
                    !self.medium.geometry.fits(next_tail_live.and(load))
                })
    }

    /// Whether the head has room for new records up to the address `end`, and whether all its live
    /// records will fit into one sector when the head is compacted some day.
    // Outlined, since its frame is not needed afterwards.
    #[inline(never)]
    pub(crate) const fn has_room(&self, load: Live, end: u32) -> bool {
        end <= self.limit() && self.medium.geometry.fits(self.log.head_live.and(load))
    }

    /// Whether the change asks for what its key's record says already, if that has an equal value.
    fn confirms(&self, change: &Change<'_>, old: RecordRef) -> bool {
        // A value that is in doubt is written again: the caller confirms it.
        change.is_put()
            && !self.is_doubtful(old.address)
            && matches!(old.header.kind(), Kind::Put | Kind::PendingPut)
            && old.header.value_len() as usize == change.value().len()
    }

    /// See [`Store::tidy`](crate::Store::tidy).
    pub(crate) fn tidy(&mut self, index: &mut Index) -> Result<(), Error<F::Error>> {
        self.ready()?;
        let moved = if self.log_is_long() { self.log.tail_live.bytes } else { 0 };
        let sector_bytes = self.medium.geometry.sector_bytes;
        let used = self.medium.geometry.offset_of(self.log_end());
        if used > sector_bytes / 16 * 15 && moved < sector_bytes / 4 * 3 {
            self.wake(index);
            self.compact(&[], index);
        } else if self.log.spare == Spare::Unknown {
            self.wake(index);
        }
        self.ready_spare(index);
        self.outcome(Ok(()))
    }
}

impl Geometry {
    /// Where the head would end after an append of `changes` at `end`.
    fn end_of(&self, mut end: u32, changes: &[Change<'_>], seal: bool) -> u32 {
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
