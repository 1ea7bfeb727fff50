//! Opening: finding the head, walking the log, settling its end; and the first format.

use embedded_storage::nor_flash::NorFlash;

use crate::error::{Error, Found as FoundInstead};
use crate::index::Index;
use crate::layout::Geometry;
use crate::log::{Core, Log};
use crate::record::OPENING;
use crate::record::{NoOpening, Opening};
use crate::suspect::Held;
use crate::suspect::{Settled, Verdict};
use crate::walk::Walk;

impl<F: NorFlash> Core<F> {
    /// Makes the store ready, or says what the region holds instead.
    #[inline(never)] // Of the store alone: its fields are near.
    pub(crate) fn mount(&mut self, index: &mut Index) -> Result<(), Error<F::Error>> {
        #[cfg(feature = "counters")]
        {
            self.medium.mounting = true;
        }
        let result = self.take_up(index);
        #[cfg(feature = "counters")]
        {
            self.medium.mounting = false;
        }
        self.outcome(result)
    }

    fn take_up(&mut self, index: &mut Index) -> Result<(), Error<F::Error>> {
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
        self.log.epoch = opening.life.epoch;
        self.log.head = opening.life.sequence;
        self.confirm_head(&opening);
        // Each time that it is to be done again, a page of the head was passed over.
        let g = &self.medium.geometry;
        let mut left = g.sector_bytes >> g.page.trailing_zeros();
        while !self.replay(&opening, index) {
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

    /// What a call reports: its result, unless something failed; then the store stays closed.
    pub(crate) fn outcome<T>(
        &mut self,
        result: Result<T, Error<F::Error>>,
    ) -> Result<T, Error<F::Error>> {
        self.log.poisoned |= self.medium.fault.is_some();
        self.outcome_of_reading(result)
    }

    /// The same of a call that only reads: the store stays open.
    #[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image.
    pub(crate) fn outcome_of_reading<T>(
        &mut self,
        result: Result<T, Error<F::Error>>,
    ) -> Result<T, Error<F::Error>> {
        match self.medium.fault.take() {
            None => result,
            Some(fault) => Err(fault.into()),
        }
    }

    /// Walks the log and settles its end. `false`: a settle record read differently the second time
    /// and was made unreadable.
    fn replay(&mut self, opening: &Opening, index: &mut Index) -> bool {
        let mut verdict = Verdict::NONE;
        self.survey(opening, &mut verdict, index);
        loop {
            let done = match self.settle(&verdict, opening, index) {
                Settled::Done => true,
                Settled::Flickers => false,
                Settled::NoRoom => self.move_on(&mut verdict, index),
            };
            if done {
                return true;
            }
            self.log.head = opening.life.sequence;
            if !self.drop_suspect(&mut verdict) {
                return false;
            }
        }
    }

    /// No room to settle: the suspect record is written again in a new sector.
    #[inline(never)] // A walk should not hold its stack.
    fn move_on(&mut self, verdict: &mut Verdict, index: &mut Index) -> bool {
        if let Some(suspect) = &verdict.suspect
            && !self.can_carry(suspect, index)
        {
            // It would have been sealed before it was acknowledged or reported: it was not.
            verdict.suspect = None;
        }
        self.turn(&[], verdict.suspect.as_ref(), verdict.accepted, index)
    }

    /// Walks the log from tail to head, and decides about its end.
    #[inline(never)] // Its stack and that of settling are not needed together.
    fn survey(&mut self, opening: &Opening, verdict: &mut Verdict, index: &mut Index) {
        let sector_bytes = self.medium.geometry.sector_bytes;
        let head = opening.life.sequence;
        let mut walk = Walk::new();
        index.clear();
        self.log.head = head;
        self.log.tail = head.wrapping_sub(opening.older);
        self.forget_live();
        let mut sequence = self.log.tail;
        loop {
            // The accepted end, told by the next sector.
            let told = if sequence == head {
                None
            } else if sequence + 1 == head {
                Some(opening.previous_end)
            } else {
                let mut next = Opening::NONE;
                self.facts(sequence + 1, &mut next).then_some(next.previous_end)
            };
            let limit = told.unwrap_or(sector_bytes).min(sector_bytes);
            self.walk(sequence, limit, &mut walk, index);
            let mut end = u32::MAX;
            if told.is_none() {
                // Of an older sector, what tells its accepted end cannot be read: its last record
                // may be a torn one.
                let proven_end = if sequence == head { opening.proven_end } else { 0 };
                end = self.judge(&walk, sequence, proven_end, verdict);
            }
            self.apply_held(&walk, end, index);
            if sequence == head {
                return;
            }
            if told.is_none()
                && let Some(suspect) = &verdict.suspect
            {
                self.apply(suspect, &[], index);
            }
            self.log.damaged += u32::from(walk.offset < limit);
            sequence += 1;
        }
    }

    /// Repeats the mark, which may have been the last program before a cut.
    ///
    /// A sector that was begun behind the head and does not count may look otherwise at the next
    /// mount, even if nothing of it can be read now. So its opening is made unreadable for good,
    /// and so are the settle records of mounts that took it for the head.
    #[inline(never)] // A walk should not hold its stack.
    fn confirm_head(&mut self, head: &Opening) {
        self.medium.zero(
            self.base(self.log.head) + self.medium.geometry.mark(),
            self.medium.geometry.unit,
        );
        let sector = self.sector(head.life.sequence + 1);
        let mut next = Opening::NONE;
        if self.read_opening(sector, &mut next).is_ok() && next.life.is_before(head.life) {
            // A retired sector that was not touched since: a new opening needs an erase.
            return;
        }
        self.void_sector(sector);
    }

    /// Makes opening and settle records of a sector unreadable for good.
    #[cfg_attr(target_pointer_width = "32", inline(always))] // Once in most images.
    fn void_sector(&mut self, sector: u32) {
        let base = sector * self.medium.geometry.sector_bytes;
        // Not the mark: its bits say that the opening is whole.
        self.medium.zero(base, self.medium.geometry.mark());
        let mut page = self.medium.geometry.page;
        while page < self.medium.geometry.sector_bytes {
            let mut trace = [0; 32];
            let trace = trace.get_mut(..self.medium.geometry.trace() as usize).unwrap_or(&mut []);
            if !self.medium.read(base + page, trace) || trace.iter().all(|b| *b == 0) {
                self.medium.zero(
                    base + page + self.medium.geometry.trace(),
                    self.medium.geometry.header_area(),
                );
            }
            page += self.medium.geometry.page;
        }
    }

    /// What is known of a log sector, if anything.
    #[inline(never)] // A walk should not hold its stack.
    fn facts(&mut self, sequence: u32, facts: &mut Opening) -> bool {
        let life = self.life(sequence);
        let sector = self.sector(sequence);
        let told = self.read_opening(sector, facts).is_ok() && facts.life == life;
        told || self.facts_from_settle(sector, facts) && facts.life == life
    }

    /// The facts the first settle record repeats that a walk over the sector meets.
    fn facts_from_settle(&mut self, sector: u32, facts: &mut Opening) -> bool {
        let base = sector * self.medium.geometry.sector_bytes;
        let limit = base + self.medium.geometry.sector_bytes;
        let mut at = base + self.medium.geometry.first_record();
        while let Some(found) = self.medium.header(at, limit) {
            at = self.medium.geometry.place_behind(found);
        }
        let mut settle = Held::NONE;
        while self.medium.next_settle(at, limit, None, &mut settle, facts) {
            if self.sector(facts.life.sequence) == sector {
                return true;
            }
            let Some(found) = settle.found else { break };
            at = self.medium.geometry.end(found) - 1;
        }
        false
    }

    #[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image.
    fn read_opening(&mut self, sector: u32, opening: &mut Opening) -> Result<(), NoOpening> {
        let mut bytes = [0; OPENING as usize];
        let address = sector * self.medium.geometry.sector_bytes;
        if !self.medium.read(address, &mut bytes) {
            return Err(NoOpening::Unreadable);
        }
        let facts = Opening::facts_in(&bytes, &self.medium.geometry.opening_start())?;
        *opening = Opening::from_facts(facts);
        Ok(())
    }

    /// The newest sector whose mark was begun; or what there is instead. One opening of another
    /// layout is enough to say so: settle records and sectors beside it cannot be told from ours.
    #[inline(never)] // A walk should not hold its stack.
    fn find_head(&mut self, head: &mut Opening) -> Result<(), FoundInstead> {
        let sectors = self.medium.geometry.sectors;
        let mut result = Err(FoundInstead::ForeignData);
        for sector in 0..sectors {
            let mut opening = Opening::NONE;
            let read = self.read_opening(sector, &mut opening);
            let is_here = self.sector(opening.life.sequence) == sector;
            let counts = match read {
                Ok(()) if is_here => self.mark_is_begun(sector),
                Ok(()) | Err(NoOpening::OtherLayout) => return Err(FoundInstead::OtherLayout),
                Err(NoOpening::NewerFormat) => return Err(FoundInstead::NewerFormat),
                Err(NoOpening::Unreadable) => self.facts_from_settle(sector, &mut opening),
            };
            let Opening { life, older, .. } = opening;
            if counts
                && self.medium.geometry.is_possible(life, older)
                && (result.is_err() || head.life.is_before(life))
            {
                *head = opening;
                result = Ok(());
            }
        }
        result
    }

    fn mark_is_begun(&mut self, sector: u32) -> bool {
        let mark = sector * self.medium.geometry.sector_bytes + self.medium.geometry.mark();
        !self.medium.is_blank(mark, mark + self.medium.geometry.unit)
    }

    /// Whether the region is blank, or holds what an interrupted first format leaves: zeros at the
    /// start of the last sector, then anything in the first.
    fn is_provably_empty(&mut self) -> bool {
        let last = (self.medium.geometry.sectors - 1) * self.medium.geometry.sector_bytes;
        let intent = self.medium.geometry.mark() + self.medium.geometry.unit;
        if !self.medium.is_blank(self.medium.geometry.sector_bytes, last)
            || !self.medium.is_blank(last + intent, last + self.medium.geometry.sector_bytes)
        {
            return false;
        }
        if self.medium.is_blank(0, self.medium.geometry.sector_bytes) {
            return true;
        }
        self.medium.is_all(0, last, last + intent)
    }

    /// Makes sector 0 the head of an empty log.
    fn first_format(&mut self, epoch: u32) {
        // What allows the next mount to start over if sector 0 is left half-erased.
        self.medium.zero(
            (self.medium.geometry.sectors - 1) * self.medium.geometry.sector_bytes,
            self.medium.geometry.mark() + self.medium.geometry.unit,
        );
        // An interrupted erase could begin the mark of an opening that was never finished.
        self.medium.zero(0, self.medium.geometry.mark());
        self.medium.erase(0);
        self.log.epoch = epoch;
        self.log.head = self.medium.geometry.sectors;
        self.finish_sector(self.medium.geometry.sectors, 0, self.medium.geometry.first_record());
    }

    /// Starts afresh whatever the region holds: a store this layout can open is cleared, so that
    /// a cut leaves it as it was or empty; over anything else a cut leaves a region that must be
    /// formatted again.
    pub(crate) fn format(&mut self, index: &mut Index) -> Result<(), Error<F::Error>> {
        let mut opening = Opening::NONE;
        if self.find_head(&mut opening).is_ok() && self.medium.geometry.may_follow(opening.life) {
            self.log.epoch = opening.life.epoch;
            self.log.head = opening.life.sequence;
            // Its mark may have been the last program before a cut.
            self.confirm_head(&opening);
            self.restart();
        } else {
            let Geometry { sectors, sector_bytes, .. } = self.medium.geometry;
            // Openings wherever a layout of this part can have had a sector.
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
