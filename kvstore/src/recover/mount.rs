//! A whole mount and a whole format, step by step.

use embedded_storage::nor_flash::NorFlash;

use super::replay::Replayed;
use crate::error::Error;
use crate::format::geometry::Geometry;
use crate::format::opening::Opening;
use crate::index::Index;
use crate::log::state::{Core, Log};

impl<F: NorFlash> Core<F> {
    /// Makes the store ready, or says what the region holds instead.
    // Outlined, so that the store's fields are addressed from its own start.
    #[inline(never)]
    pub(crate) fn mount(&mut self, index: &mut Index) -> Result<(), Error<F::Error>> {
        #[cfg(feature = "counters")]
        {
            self.medium.mounting = true;
        }
        let result = self.recover(index);
        #[cfg(feature = "counters")]
        {
            self.medium.mounting = false;
        }
        self.outcome(result)
    }

    fn recover(&mut self, index: &mut Index) -> Result<(), Error<F::Error>> {
        let damaged = self.log.damaged;
        self.log = Log::NONE;
        self.log.damaged = damaged;
        self.medium.fault = None;
        let mut opening = Opening::NONE;
        if let Err(instead) = self.find_head(&mut opening) {
            if !self.is_provably_empty() {
                return Err(Error::NotAStore(instead));
            }
            self.first_format(0);
            if self.find_head(&mut opening).is_err() {
                return Err(Error::Corrupt);
            }
        }
        self.log.epoch = opening.generation.epoch;
        self.log.head = opening.generation.sequence;
        self.confirm_head(&opening);
        // Each repetition has passed over a page of the head, so there are at most as many
        // repetitions as pages.
        let g = &self.medium.geometry;
        let mut left = g.sector_bytes >> g.page.trailing_zeros();
        while self.replay_and_settle(&opening, index) == Replayed::CarrierDropped {
            if left == 0 {
                return Err(Error::Corrupt);
            }
            left -= 1;
        }
        self.log.poisoned = false;
        #[cfg(feature = "counters")]
        self.close_tallies(index)?;
        Ok(())
    }

    /// Starts an empty store, whatever the region holds. A store that this layout can open is
    /// cleared, so that a cut leaves it as it was or empty. With anything else, a cut leaves a
    /// region that must be formatted again.
    pub(crate) fn format(&mut self, index: &mut Index) -> Result<(), Error<F::Error>> {
        let mut opening = Opening::NONE;
        if self.find_head(&mut opening).is_ok()
            && self.medium.geometry.may_follow(opening.generation)
        {
            self.log.epoch = opening.generation.epoch;
            self.log.head = opening.generation.sequence;
            // Its mark may have been the last program before a cut.
            self.confirm_head(&opening);
            self.restart();
        } else {
            let Geometry { sectors, sector_bytes, .. } = self.medium.geometry;
            // Wherever a sector of another layout may have started, there may be an opening.
            let step = F::ERASE_SIZE.max(512);
            let mark = self.medium.geometry.mark();
            for sector in 0..sectors {
                self.void_sector(sector);
                for at in (0..sector_bytes).step_by(step).skip(1) {
                    self.medium.zero(sector * sector_bytes + at, mark);
                }
            }
            self.first_format(0);
        }
        self.mount(index)
    }
}
