//! Slots, in which a sector decides about those that follow, about itself, or about the oldest one.

use alloc::vec::Vec;

use super::region::{Region, Tag};
use crate::format::check::zeros_of;
use crate::format::slot::{Decision as Stored, is_begun};

/// What a sector has decided.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Decision {
    /// The sector that follows counts.
    In,
    /// The sector that follows does not count.
    Out,
    /// This sector itself counts, whatever the sector before it says, and the one that follows does
    /// not.
    Own,
    /// The sector after the one that follows counts, and the one that follows was passed over.
    Over,
    /// The oldest sector that this sector's opening names is no longer part of the log.
    Retired,
}

/// A slot.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Slot {
    /// Its number in the sector.
    pub number: u32,
    /// Its address.
    pub address: u32,
    /// Address after its last byte.
    pub end: u32,
    /// Its tag.
    pub tag: Tag,
    /// The bytes of its word, without padding.
    pub word: [u8; 4],
    /// Whether more than one bit of its tag is 0: only then can its word have been begun.
    pub is_begun: bool,
    /// The decision that its word stands for.
    pub decision: Option<Decision>,
}

impl Region<'_> {
    /// The slots of a sector with this sequence number, as far as they were read out.
    #[must_use]
    pub fn slots(&self, sector: u32, sequence: u32) -> Vec<Slot> {
        let g = &self.geometry;
        let slot = |number| {
            let address = self.address(sector) + g.slot(number);
            let word_at = address + g.unit;
            let end = word_at + g.word_area();
            let tag_bytes = self.bytes(address, word_at)?;
            let tag = Tag::of(tag_bytes);
            let is_begun = is_begun(zeros_of(tag_bytes));
            let word = *self.bytes(word_at, end)?.first_chunk()?;
            let stored = Stored::decode(u32::from_le_bytes(word), sequence, number);
            let decision = stored.filter(|_| is_begun).map(|stored| match stored {
                Stored::In => Decision::In,
                Stored::Out => Decision::Out,
                Stored::Own => Decision::Own,
                Stored::Over => Decision::Over,
                Stored::Retired => Decision::Retired,
            });
            Some(Slot { number, address, end, tag, word, is_begun, decision })
        };
        (0..g.slots()).filter_map(slot).collect()
    }

    /// What a sector with this sequence number has decided about those that follow, in its slots from
    /// the number `from` on.
    #[must_use]
    pub fn decision_about_next(&self, sector: u32, sequence: u32, from: u32) -> Option<Decision> {
        let slots = self.slots(sector, sequence).into_iter().filter(|slot| slot.number >= from);
        let about_next = |decision: &Decision| *decision != Decision::Retired;
        slots.filter_map(|slot| slot.decision).rfind(about_next)
    }
}
