//! A whole mount and a whole format, step by step.

use embedded_storage::nor_flash::NorFlash;

use super::find_head::Headship;
use super::walk::Replayed;
use crate::error::{Error, Found};
use crate::flash::medium::TRIES;
use crate::flash::writer::Copied;
use crate::format::geometry::Geometry;
use crate::format::opening::Opening;
use crate::index::Index;
use crate::log::state::{Access, Core, Log};

impl<F: NorFlash> Core<F> {
    /// Makes the store ready for these calls, or says what the region holds instead. If only reads
    /// are wanted, nothing is programmed.
    // Outlined, so that the store's fields are addressed from its own start.
    #[inline(never)]
    pub(crate) fn mount(
        &mut self,
        access: Access,
        index: &mut Index,
    ) -> Result<(), Error<F::Error>> {
        self.log = Log { damaged: self.log.damaged, ..Log::NONE };
        self.medium.fault = None;
        self.medium.refused = false;
        self.medium.refusal = None;
        #[cfg(feature = "counters")]
        {
            self.medium.mounting = true;
        }
        let result = self.recover(access, index);
        if result.is_err() || self.medium.fault.is_some() {
            self.log.access = Access::Closed;
        }
        #[cfg(feature = "counters")]
        {
            self.medium.mounting = access == Access::Read;
        }
        self.outcome(result)
    }

    fn recover(&mut self, access: Access, index: &mut Index) -> Result<(), Error<F::Error>> {
        let mut opening = Opening::NONE;
        let mut headship = self.find_head(&mut opening);
        if let Err(instead) = headship {
            let is_empty = self.is_provably_empty();
            if access == Access::Read || !is_empty {
                return Err(Error::NotAStore(if is_empty { Found::Nothing } else { instead }));
            }
            self.first_format(index);
            headship = self.find_head(&mut opening);
        }
        let Ok(headship) = headship else { return Err(Error::Corrupt) };
        self.log.before = opening.before();
        let retired = self.leave_out_retired(&mut opening);
        let mut replayed = Replayed::NONE;
        let head_limit = self.limit();
        let mut limit = head_limit;
        if access == Access::Read {
            self.replay(&opening, limit, &mut replayed, index);
            self.log.access = access;
            return Ok(());
        }
        if headship == Headship::Possible {
            self.decide_about(&opening, false);
        }
        self.log.retired = retired;
        let mut stop = 0;
        loop {
            self.replay(&opening, limit, &mut replayed, index);
            // A program may have been interrupted after a suspect that is dropped, too.
            stop = replayed.log_end.stop.max(stop);
            replayed.log_end.stop = stop;
            let slots = self.slots(self.log.head, replayed.void_slots).used;
            if let Some(rest) = replayed.rest
                && slots == replayed.spare.slots
                && limit == head_limit
            {
                // Nothing was programmed since the log came to rest, and it did so after the seal
                // or the settle record that makes the head sure.
                self.log.sure = true;
                self.log.rest = rest.address;
                self.log.slot = slots;
                self.trust_spare(replayed.spare);
                self.log.end = replayed.log_end.stop;
                self.log.access = access;
                return Ok(());
            }
            // One wrong reading must not cost an acknowledged change.
            if (0..TRIES).any(|_| {
                self.log.head = opening.generation.sequence;
                self.settle(&replayed, index) == Copied::Whole
            }) {
                break;
            }
            // Each repetition ends earlier than the one before it.
            if replayed.log_end.without_suspect >= limit {
                return Err(Error::Corrupt);
            }
            limit = replayed.log_end.without_suspect;
        }
        self.log.access = access;
        #[cfg(feature = "counters")]
        self.close_tallies(index)?;
        self.rest(index);
        if self.log.rest == 0 && self.medium.fault.is_none() {
            // Without room for a rest record, each later mount would settle again.
            self.compact(&[], index);
            self.rest(index);
        }
        Ok(())
    }

    /// Starts an empty store, whatever the region holds. A store that this layout can open is
    /// cleared, so that a cut leaves it as it was or empty. With anything else, a cut leaves a
    /// region that must be formatted again.
    pub(crate) fn format(&mut self, index: &mut Index) -> Result<(), Error<F::Error>> {
        if self.mount(Access::Write, index).is_ok()
            && self.medium.geometry.may_follow(self.generation(self.log.head))
        {
            self.restart(index);
            self.rest(index);
            return self.outcome(Ok(()));
        }
        self.medium.fault = None;
        let Geometry { sectors, sector_bytes, .. } = self.medium.geometry;
        for sector in 1..sectors {
            self.medium.erase(sector);
            // A blank sector that cannot be erased does no harm.
            if self.medium.take_refused()
                && !self.medium.is_blank(sector * sector_bytes, (sector + 1) * sector_bytes)
            {
                self.medium.give_up();
            }
        }
        self.log = Log { damaged: self.log.damaged, ..Log::NONE };
        self.first_format(index);
        if self.log.head > sectors && !self.medium.is_blank(0, sector_bytes) {
            self.medium.give_up();
        }
        self.outcome(Ok(()))?;
        self.mount(Access::Write, index)
    }
}
