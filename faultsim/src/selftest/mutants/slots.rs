//! Decisions about the next sector, in slots of the head. Nothing here touches the flash.
//!
//! A slot is one unit for its tag and one for the decision. The tag is programmed first, so a slot
//! with a blank tag holds no decision that could show later. The two decisions have equally many
//! zeros, so a torn one is neither.

/// The number of slots in a sector.
pub(super) const SLOTS: usize = 8;
/// Bytes of a slot.
pub(super) const SLOT: usize = 2;
/// Bytes of all slots of a sector.
pub(super) const SLOT_BYTES: usize = SLOTS * SLOT;

/// Who is the head.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Decision {
    /// The next sector: it is complete.
    In = 0x0F,
    /// This sector: whatever the next one holds does not count.
    Out = 0xF0,
}

/// The slots of a sector as they were read.
#[derive(Clone, Copy, Debug)]
pub(super) struct Slots<'bytes>(pub(super) &'bytes [u8]);

impl Slots<'_> {
    fn bytes_of(&self, slot: usize) -> &[u8] {
        self.0.get(slot * SLOT..(slot + 1) * SLOT).unwrap_or_default()
    }

    /// The number of slots up to the last one that is not blank.
    pub(super) fn used(&self) -> usize {
        (0..SLOTS)
            .rfind(|&slot| self.bytes_of(slot).iter().any(|byte| *byte != 0xFF))
            .map_or(0, |slot| slot + 1)
    }

    /// The last decision among the slots from this one on.
    pub(super) fn last(&self, from: usize) -> Option<Decision> {
        (from..SLOTS).rev().find_map(|slot| self.decision(slot))
    }

    /// The decision in a slot.
    pub(super) fn decision(&self, slot: usize) -> Option<Decision> {
        let [_, decision] = self.bytes_of(slot) else { return None };
        [Decision::In, Decision::Out].into_iter().find(|known| *known as u8 == *decision)
    }

    /// For a planted mistake: whether anything stands in the last slot that is not blank.
    pub(super) fn seems_in(&self) -> bool {
        let last = self.used().checked_sub(1).map(|slot| self.bytes_of(slot)[1]);
        last.is_some_and(|decision| !matches!(decision, 0xFF | 0xF0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_torn_decision_is_none() {
        for word in 0..=u8::MAX {
            let mut bytes = [0xFF; SLOT_BYTES];
            (bytes[0], bytes[1]) = (0, word);
            let wanted = match word {
                0x0F => Some(Decision::In),
                0xF0 => Some(Decision::Out),
                _ => None,
            };
            assert_eq!((Slots(&bytes).last(0), Slots(&bytes).used()), (wanted, 1));
        }
    }

    #[test]
    fn the_last_decision_counts() {
        let mut bytes = [0xFF; SLOT_BYTES];
        bytes[..8].copy_from_slice(&[0, 0x0F, 0, 0xF0, 0, 0x1F, 0, 0xFF]);
        let slots = Slots(&bytes);
        assert_eq!((slots.used(), slots.last(0), slots.last(2)), (4, Some(Decision::Out), None));
        assert_eq!(Slots(&[0xFF; SLOT_BYTES]).used(), 0);
    }
}
