//! Walks the whole log, and settles its end.

use embedded_storage::nor_flash::NorFlash;

use super::settle::Settled;
use super::walk::Walk;
use crate::format::opening::Opening;
use crate::index::Index;
use crate::log::log_end::Verdict;
use crate::log::state::Core;

impl<F: NorFlash> Core<F> {
    /// Walks the log and settles its end. `false`: a settle record read differently the second time
    /// and was made unreadable.
    pub(crate) fn replay(&mut self, opening: &Opening, index: &mut Index) -> bool {
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
}
