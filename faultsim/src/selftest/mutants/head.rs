//! Which sector is the head, judged by one reading of the whole part. Nothing here touches the
//! flash.

use super::bug::Bug;
use super::codec::{Codec, FIRST_RECORD, OPENING, sequence};
use super::slots::{Decision, SLOTS, Slots};
use super::walk::Pages;

/// All sectors as they were read.
#[derive(Clone, Debug)]
pub(super) struct Reading {
    pub(super) sectors: Vec<Vec<u8>>,
    pub(super) page: usize,
    pub(super) bug: Option<Bug>,
}

/// The sector that counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Head {
    pub(super) sector: u32,
    pub(super) sequence: u32,
    /// Whether it says itself that it is the head. Otherwise the sector before says so.
    pub(super) sure: bool,
}

impl Reading {
    fn has(&self, bug: Bug) -> bool {
        self.bug == Some(bug)
    }

    fn bytes(&self, sector: u32) -> &[u8] {
        &self.sectors[sector as usize]
    }

    /// The sector before this one.
    pub(super) fn before(&self, sector: u32) -> u32 {
        // There are as many sectors as the geometry says, which is a u32.
        let sectors = u32::try_from(self.sectors.len()).unwrap_or(u32::MAX);
        (sector + sectors - 1) % sectors
    }

    pub(super) fn sequence(&self, sector: u32) -> Option<u32> {
        self.bytes(sector).first_chunk().and_then(|opening| sequence(opening, self.bug))
    }

    pub(super) fn slots(&self, sector: u32) -> Slots<'_> {
        Slots(&self.bytes(sector)[OPENING..FIRST_RECORD])
    }

    pub(super) fn pages(&self, sector: u32, sequence: u32) -> Pages<'_> {
        let (bytes, page, bug) = (self.bytes(sector), self.page, self.bug);
        Pages { bytes, again: bytes, page, codec: Codec::new(bug, sequence), bug }
    }

    /// The newest sector that counts. `loose` is for a planted mistake: whether any decision that
    /// is not blank is taken for one for the next sector.
    pub(super) fn head(&self, loose: bool) -> Option<Head> {
        let sectors = 0..u32::try_from(self.sectors.len()).unwrap_or(u32::MAX);
        let mut openings: Vec<(u32, u32)> =
            sectors.filter_map(|sector| Some((self.sequence(sector)?, sector))).collect();
        openings.sort_by_key(|&(sequence, sector)| (core::cmp::Reverse(sequence), sector));
        openings.into_iter().find_map(|(sequence, sector)| {
            let sure = self.counts(sector, sequence, loose)?;
            Some(Head { sector, sequence, sure })
        })
    }

    /// Whether the sector counts, and if so, whether that is sure.
    fn counts(&self, sector: u32, sequence: u32, loose: bool) -> Option<bool> {
        match self.bug {
            Some(Bug::OpeningSuffices) => return Some(true),
            Some(Bug::ZeroOpening | Bug::BlankOpening) if sequence == u32::MAX => {
                return Some(true);
            }
            Some(Bug::GarbageIsProof) => {
                let last_page = self.bytes(sector).len() - self.page;
                if self.bytes(sector)[last_page..].iter().any(|byte| *byte != 0xFF) {
                    return Some(true);
                }
            }
            _ => {}
        }
        // Only a head is sealed, settled, rests and decides; a new sector gets copies only.
        let walk = self.pages(sector, sequence).walk();
        let decides = self.slots(sector).last(0).is_some() && !self.has(Bug::OwnMissing);
        if walk.has_settle || walk.is_sealed || decides {
            return Some(true);
        }
        let before = self.before(sector);
        let decided = match self.sequence(before) {
            Some(number) if number.checked_add(1) == Some(sequence) => {
                self.pages(before, number).walk().decided
            }
            // The first head is decided on in a sector without an opening.
            _ if sequence == 1 => 0,
            _ => return None,
        };
        let from = if self.has(Bug::DeniedTrusted) { 0 } else { decided };
        let slots = self.slots(before);
        let decision = match self.bug {
            Some(Bug::FirstDecisionCounts) => (from..SLOTS).find_map(|slot| slots.decision(slot)),
            _ if loose && slots.seems_in() => Some(Decision::In),
            _ => slots.last(from),
        };
        (decision == Some(Decision::In)).then_some(false)
    }
}
