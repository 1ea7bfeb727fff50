//! Finds the head of the log, and makes sure that every later mount finds the same.

use embedded_storage::nor_flash::NorFlash;

use crate::error::Found;
use crate::flash::medium::TRIES;
use crate::flash::reader::Place;
use crate::format::generation::Generation;
use crate::format::opening::{NoOpening, OPENING, Opening};
use crate::format::slot::{Decision, is_begun};
use crate::log::state::Core;

/// Whether a sector is the head.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Headship {
    /// A record after its proven end says so.
    Sure,
    /// Only the sector before says so, perhaps with a program that was interrupted.
    Possible,
}

/// What the slots of a sector say.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Slots {
    /// Number of the slot after the last one that was begun.
    pub(crate) used: u32,
    /// The last decision about the sector that follows.
    next: Option<Decision>,
    /// How many slots say that the sector that follows does not count.
    denials: u32,
    /// The sector has decided that it counts.
    own: bool,
    /// The sector has decided that the oldest one is no longer part of the log.
    pub(crate) retired: bool,
}

impl Slots {
    /// Whether any decision about the sector that follows can be read.
    pub(crate) const fn has_decided(&self) -> bool {
        self.next.is_some()
    }

    /// Whether the last decision is that the sector that follows does not count.
    pub(crate) const fn denies(&self) -> bool {
        matches!(self.next, Some(Decision::Out | Decision::Own))
    }

    /// Whether no slot was begun for anything but to say that the sector that follows does not
    /// count.
    pub(crate) const fn only_deny(&self) -> bool {
        self.denials == self.used
    }
}

impl<F: NorFlash> Core<F> {
    /// The newest sector that counts, or what the region holds instead. A single opening of another
    /// layout is enough to refuse the region.
    // Outlined, so that a walk does not hold its frame.
    #[inline(never)]
    pub(crate) fn find_head(&mut self, head: &mut Opening) -> Result<Headship, Found> {
        let mut before = Generation { epoch: u32::MAX, sequence: u32::MAX };
        loop {
            if !self.newest_before(before, head)? {
                return Err(Found::ForeignData);
            }
            before = head.generation;
            self.log.epoch = before.epoch;
            self.log.head = before.sequence;
            match self.headship(head) {
                Some(Headship::Sure) => return Ok(Headship::Sure),
                Some(Headship::Possible) if !self.is_outdated(head)? => {
                    return Ok(Headship::Possible);
                }
                _ => {}
            }
        }
    }

    /// Whether a sector after the one that decides about a possible head shows that this decision is
    /// an old one. It was void, and reads as if it counted since what made it void was
    /// erased in part.
    // Outlined, since its frame is not needed afterwards.
    #[inline(never)]
    fn is_outdated(&mut self, head: &Opening) -> Result<bool, Found> {
        let (generation, slot) = (head.generation, self.log.slot);
        let mut other = Opening { generation, ..Opening::NONE };
        let mut result = false;
        while !result && self.newest_before(other.generation, &mut other)? {
            self.log.epoch = other.generation.epoch;
            self.log.head = other.generation.sequence;
            result = self.log.head > head.before() && self.headship(&other).is_some();
        }
        self.log.epoch = generation.epoch;
        self.log.head = generation.sequence;
        self.log.slot = slot;
        Ok(result)
    }

    /// Finds the newest opening before a generation, and returns whether there is one.
    // Outlined, so that its frame is not part of the rest of the search.
    #[inline(never)]
    fn newest_before(&mut self, before: Generation, head: &mut Opening) -> Result<bool, Found> {
        let mut result = false;
        for sector in 0..self.medium.geometry.sectors {
            let mut opening = Opening::NONE;
            let read = self.read_opening(sector, &mut opening);
            let is_here = self.sector(opening.generation.sequence) == sector;
            match read {
                Ok(()) if is_here => {}
                Ok(()) | Err(NoOpening::OtherLayout) => return Err(Found::OtherLayout),
                Err(NoOpening::NewerFormat) => return Err(Found::NewerFormat),
                Err(NoOpening::OlderFormat) => return Err(Found::OlderFormat),
                Err(NoOpening::Unreadable) => continue,
            }
            if self.medium.geometry.is_possible(opening.generation, opening.older)
                && opening.generation.is_before(before)
                && !(result && opening.generation.is_before(head.generation))
            {
                *head = opening;
                result = true;
            }
        }
        Ok(result)
    }

    /// Whether a sector counts as the head.
    fn headship(&mut self, opening: &Opening) -> Option<Headship> {
        let generation = opening.generation;
        let base = self.base(generation.sequence);
        let limit = base + self.medium.geometry.records_end();
        let address = base + self.medium.geometry.place(opening.proven_end);
        let page = self.medium.geometry.next_page(address);
        if self.record_follows(&Place { address, limit, generation, proven: true })
            || self.medium.next_settle(page, limit, generation).is_some()
            || self.slots(generation.sequence, 0).own
            // The first record may be damaged.
            || self.later_record(address, limit, generation).is_some()
        {
            return Some(Headship::Sure);
        }
        let bound = self.slot_bound(opening);
        let wanted = if opening.passed_over { Decision::Over } else { Decision::In };
        let slots = self.slots(opening.before(), bound);
        (slots.next == Some(wanted)).then(|| {
            // It is decided again there, since this decision may have been interrupted.
            self.log.slot = slots.used;
            Headship::Possible
        })
    }

    /// The first slot of the sector before that can decide about a sector. Settle records that
    /// were written there later make earlier slots void.
    fn slot_bound(&mut self, opening: &Opening) -> u32 {
        let mut bound = opening.slot_bound;
        let sequence = opening.before();
        let mut previous = Opening::NONE;
        let sector = self.sector(sequence);
        if self.read_opening(sector, &mut previous).is_err()
            || previous.generation.sequence != sequence
        {
            return bound;
        }
        let base = self.base(sequence);
        let limit = base + self.medium.geometry.records_end();
        let mut page = base + self.medium.geometry.next_page(opening.previous_end);
        while let Some(settle) = self.medium.next_settle(page, limit, previous.generation) {
            bound = bound.max(settle.note.slots);
            page = self.medium.geometry.next_page(settle.found.address);
        }
        bound
    }

    /// What the slots of a sector say, from the slot `from` on.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn slots(&mut self, sequence: u32, from: u32) -> Slots {
        let mut slots = Slots { used: from, next: None, denials: from, own: false, retired: false };
        let base = self.base(sequence);
        for number in from..self.medium.geometry.slots() {
            let at = base + self.medium.geometry.slot(number);
            let word_at = at + self.medium.geometry.unit;
            if !is_begun(self.medium.zeros_in_unit(at)) {
                continue;
            }
            slots.used = number + 1;
            let mut word = [0; 4];
            if !self.medium.read(word_at, &mut word) {
                continue;
            }
            let decision = Decision::decode(u32::from_le_bytes(word), sequence, number);
            slots.denials += u32::from(decision == Some(Decision::Out));
            slots.own |= decision == Some(Decision::Own);
            slots.retired |= decision == Some(Decision::Retired);
            if decision.is_some_and(|decision| decision != Decision::Retired) {
                slots.next = decision;
            }
        }
        slots
    }

    /// Leaves the oldest sector out of what the opening of the head names, if the head has decided
    /// that it is no longer part of the log. Returns whether it has.
    pub(crate) fn leave_out_retired(&mut self, head: &mut Opening) -> bool {
        let retired = self.slots(head.generation.sequence, 0).retired;
        if retired && head.older > 0 {
            head.older -= 1;
        }
        retired
    }

    /// Reads the opening of a sector, from the first copy that can be read.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn read_opening(
        &mut self,
        sector: u32,
        opening: &mut Opening,
    ) -> Result<(), NoOpening> {
        let mut bytes = [0; OPENING as usize];
        let first = sector * self.medium.geometry.sector_bytes;
        let second = first + self.medium.geometry.records_end();
        for address in [first, second] {
            for _ in 0..TRIES {
                if !self.medium.read(address, &mut bytes) || bytes == [0xFF; OPENING as usize] {
                    break;
                }
                match Opening::decode(&bytes, &self.medium.geometry.opening_start()) {
                    Ok(decoded) => {
                        *opening = decoded;
                        return Ok(());
                    }
                    Err(NoOpening::Unreadable) => {}
                    Err(why) => return Err(why),
                }
            }
        }
        Err(NoOpening::Unreadable)
    }

    /// Reads the opening of a log sector into `info`, and returns whether that worked.
    // Outlined, so that a walk does not hold its frame.
    #[inline(never)]
    pub(crate) fn sector_info(&mut self, sequence: u32, info: &mut Opening) -> bool {
        let generation = self.generation(sequence);
        self.read_opening(self.sector(sequence), info).is_ok() && info.generation == generation
    }
}
