//! Replays the log from tail to head.

use embedded_storage::nor_flash::NorFlash;

use super::walk::{Replayed, Walk};
use crate::format::opening::Opening;
use crate::index::Index;
use crate::log::state::Core;

/// What follows a number of the log.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Successor {
    /// A sector whose opening reads.
    Known,
    /// A sector neither of whose openings reads.
    Unknown,
    /// The number has no sector itself.
    PassedOver,
}

impl<F: NorFlash> Core<F> {
    /// Whether a number before the head has a sector, and the opening of the sector after that.
    pub(crate) fn successor(
        &mut self,
        sequence: u32,
        head: &Opening,
        next: &mut Opening,
    ) -> Successor {
        // Perhaps the next number was passed over. Its sector can hold an opening with that
        // number, from a compaction that was interrupted before the sector went bad.
        if sequence + 1 != head.generation.sequence
            && self.info_of(sequence + 2, head, next)
            && next.passed_over
            && self.counts(sequence + 2, head)
        {
            return Successor::Known;
        }
        if !self.info_of(sequence + 1, head, next) {
            return Successor::Unknown;
        }
        if next.passed_over { Successor::PassedOver } else { Successor::Known }
    }

    /// Whether a sector whose opening says that the number before it was passed over was not passed
    /// over itself. In a row of such openings, each second one was, counted from the last.
    fn counts(&mut self, sequence: u32, head: &Opening) -> bool {
        let (mut last, mut next) = (sequence, *head);
        while last < head.generation.sequence
            && self.info_of(last + 1, head, &mut next)
            && next.passed_over
        {
            last += 1;
        }
        (last - sequence).is_multiple_of(2)
    }

    /// Reads the opening of a log sector into `info`, unless it is that of the head, and returns
    /// whether that worked.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    fn info_of(&mut self, sequence: u32, head: &Opening, info: &mut Opening) -> bool {
        *info = *head;
        sequence == head.generation.sequence || self.sector_info(sequence, info)
    }

    /// Walks the log from tail to head, up to the address `limit` in the head.
    // Outlined, since its frame and that of settling are not needed together.
    #[inline(never)]
    pub(crate) fn replay(
        &mut self,
        opening: &Opening,
        limit: u32,
        replayed: &mut Replayed,
        index: &mut Index,
    ) {
        let head = opening.generation.sequence;
        let mut walk = Walk::new();
        index.clear();
        self.log.head = head;
        self.log.tail = head.wrapping_sub(opening.older);
        self.log.doubt = (0, 0);
        self.log.repaired = 0;
        self.forget_live();
        let mut sequence = self.log.tail;
        while sequence != head {
            let mut next = *opening;
            let successor = self.successor(sequence, opening, &mut next);
            sequence += 1;
            let accepted_end = match successor {
                Successor::PassedOver => continue,
                // The accepted end, as the opening of the next sector gives it.
                Successor::Known => next.previous_end.min(self.medium.geometry.records_end()),
                Successor::Unknown => {
                    self.count_damage();
                    self.medium.geometry.records_end()
                }
            };
            let limit = self.base(sequence - 1) + accepted_end;
            self.walk(sequence - 1, accepted_end, limit, &mut walk, index);
        }
        self.walk(head, opening.proven_end, limit, &mut walk, index);
        *replayed = walk.replayed;
        replayed.log_end.stop = walk.at;
        replayed.log_end.accepted = walk.at.min(replayed.log_end.accepted);
        if let Some(rest) = replayed.rest
            && !self.medium.is_blank(self.medium.geometry.end(rest), walk.limit)
        {
            replayed.rest = None;
        }
    }
}
