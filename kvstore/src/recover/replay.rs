//! Replays the log from tail to head, and settles its end.

use embedded_storage::nor_flash::NorFlash;

use super::settle::{Dropped, Settled};
use super::walk::Walk;
use crate::flash::writer::Copied;
use crate::format::opening::Opening;
use crate::index::Index;
use crate::log::log_end::LogEnd;
use crate::log::state::Core;

/// What became of a replay.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Replayed {
    /// A settle record read differently the second time and was made unreadable: replay again.
    CarrierDropped,
    Settled,
}

impl<F: NorFlash> Core<F> {
    /// Replays the log and settles its end.
    pub(crate) fn replay_and_settle(&mut self, opening: &Opening, index: &mut Index) -> Replayed {
        let mut log_end = LogEnd::NONE;
        self.replay_log(opening, &mut log_end, index);
        loop {
            let suspect = match self.settle(&log_end, opening, index) {
                Settled::Done => Copied::Whole,
                Settled::SuspectChanged => Copied::Damaged,
                Settled::NoRoom => self.move_on(&mut log_end, index),
            };
            if suspect == Copied::Whole {
                return Replayed::Settled;
            }
            self.log.head = opening.generation.sequence;
            if self.drop_suspect(&mut log_end) == Dropped::WithCarrier {
                return Replayed::CarrierDropped;
            }
        }
    }

    /// Settles where the head has no room for it: writes the suspect again, in a new sector.
    // Outlined, so that a walk does not hold its frame.
    #[inline(never)]
    fn move_on(&mut self, log_end: &mut LogEnd, index: &mut Index) -> Copied {
        if let Some(suspect) = &log_end.suspect
            && !self.fits_with_tail(suspect, index)
        {
            // It would have been sealed before it was acknowledged or reported, so it was neither.
            log_end.suspect = None;
        }
        self.compact(&[], log_end.suspect.as_ref(), log_end.accepted, index)
    }

    /// Walks the log from tail to head, and decides where it ends.
    // Outlined, since its frame and that of settling are not needed together.
    #[inline(never)]
    fn replay_log(&mut self, opening: &Opening, log_end: &mut LogEnd, index: &mut Index) {
        let sector_bytes = self.medium.geometry.sector_bytes;
        let head = opening.generation.sequence;
        let mut walk = Walk::new();
        index.clear();
        self.log.head = head;
        self.log.tail = head.wrapping_sub(opening.older);
        self.forget_live();
        let mut sequence = self.log.tail;
        loop {
            // The accepted end, as the opening of the next sector gives it.
            let accepted_end = if sequence == head {
                None
            } else if sequence + 1 == head {
                Some(opening.previous_end)
            } else {
                let mut next = Opening::NONE;
                self.sector_info(sequence + 1, &mut next).then_some(next.previous_end)
            };
            let limit = accepted_end.unwrap_or(sector_bytes).min(sector_bytes);
            self.walk(sequence, limit, &mut walk, index);
            let mut end = u32::MAX;
            if accepted_end.is_none() {
                // The head, or an older sector whose accepted end cannot be read: its last record
                // may be torn.
                let proven_end = if sequence == head { opening.proven_end } else { 0 };
                end = self.find_end(&walk, sequence, proven_end, log_end);
            }
            self.apply_held(&walk, end, index);
            if sequence == head {
                return;
            }
            if accepted_end.is_none()
                && let Some(suspect) = &log_end.suspect
            {
                self.apply(suspect, &[], index);
            }
            self.log.damaged += u32::from(walk.offset < limit);
            sequence += 1;
        }
    }
}
