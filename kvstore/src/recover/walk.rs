//! The walk over a sector, which finds the records that count.
//!
//! A walk reads headers and keys only. A header that follows a record proves that record whole, so
//! only the last record is in doubt. Where no header can be read, the next settle record says how
//! much of what came before is accepted.

use embedded_storage::nor_flash::NorFlash;

use super::held::{Detail, Held, Settle};
#[cfg(not(feature = "counters"))]
use crate::error::Fault;
use crate::format::bytes::copy;
use crate::format::opening::Opening;
#[cfg(not(feature = "counters"))]
use crate::format::record::Kind;
use crate::format::record::MAX_HEADER;
use crate::index::Index;
use crate::log::log_end::Suspect;
use crate::log::lookup::KEY_START;
use crate::log::state::Core;

/// Where a walk stands.
pub(crate) struct Walk {
    /// Offset of the next place.
    pub(crate) offset: u32,
    /// The record before the last one, not applied yet.
    pub(crate) before: Held,
    /// The last record, not applied yet.
    pub(crate) last: Held,
    /// The record that was just met.
    next: Held,
    /// Length of the shortest key so far. No more than that is read at once, so no byte after a key
    /// is read.
    expected: u32,
}

impl Walk {
    pub(crate) const fn new() -> Self {
        let (before, last, next) = (Held::NONE, Held::NONE, Held::NONE);
        Self { offset: 0, before, last, next, expected: 0 }
    }
}

impl<F: NorFlash> Core<F> {
    /// Walks a sector up to the offset `limit` and applies what counts, except for the last two
    /// records.
    pub(crate) fn walk(&mut self, sequence: u32, limit: u32, walk: &mut Walk, index: &mut Index) {
        walk.before = Held::NONE;
        walk.last = Held::NONE;
        walk.offset = self.medium.geometry.first_record();
        while self.step(sequence, limit, walk) {
            let end = match walk.next.detail {
                Detail::Settle(settle) => self.base(sequence) + settle.accepted,
                // Only the record before the last.
                Detail::Key { .. } => walk.last.found.map_or(0, |found| found.address),
            };
            self.apply_held(walk, end, index);
            walk.before = walk.last;
            if let Detail::Settle(_) = walk.next.detail {
                walk.before.found = None;
            }
            walk.last = walk.next;
        }
    }

    /// Reads the record at the next place, or else the next settle record, and returns whether
    /// there is one.
    // Outlined, since its frame and that of applying a record are not needed together.
    #[inline(never)]
    fn step(&mut self, sequence: u32, limit: u32, walk: &mut Walk) -> bool {
        let base = self.base(sequence);
        let (at, end) = (base + walk.offset, base + limit);
        if at >= end {
            return false;
        }
        let mut bytes = [0; MAX_HEADER as usize + KEY_START];
        // No more of a key than is kept; the rest is read when it is applied.
        let wanted = self.medium.geometry.header() as usize + KEY_START;
        let bytes = bytes.get_mut(..wanted).unwrap_or(&mut []);
        if let Some(found) = self.medium.look_at_key(at, end, walk.expected, bytes) {
            #[cfg(not(feature = "counters"))]
            if found.header.kind() == Kind::Tally {
                self.medium.fault = Some(Fault::Counters);
                return false;
            }
            let len = found.header.key_len();
            if len > 0 && (walk.expected == 0 || len < walk.expected) {
                walk.expected = len;
            }
            let mut start = [0; _];
            copy(&mut start, self.medium.geometry.key_in(found, bytes));
            let batch = match walk.last {
                Held { found: Some(last), detail: Detail::Key { batch, .. } }
                    if last.header.kind().is_pending() =>
                {
                    batch
                }
                _ => at,
            };
            walk.next = Held { found: Some(found), detail: Detail::Key { start, batch } };
        } else {
            let generation = Some(self.generation(sequence));
            let mut info = Opening::NONE;
            if !self.medium.next_settle(at, end, generation, &mut walk.next, &mut info) {
                return false;
            }
        }
        walk.offset =
            walk.next.found.map_or(limit, |found| self.medium.geometry.next_place(found) - base);
        true
    }

    /// Applies the held records that stand before the address `end`.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn apply_held(&mut self, walk: &Walk, end: u32, index: &mut Index) {
        for held in [&walk.before, &walk.last] {
            if let Some(found) = held.found
                && found.address < end
            {
                match &held.detail {
                    Detail::Key { start, batch } => {
                        self.apply(&Suspect::new(found, *batch), start, index);
                    }
                    Detail::Settle(Settle { carried: Some(carried), .. }) => {
                        self.apply(carried, &[], index);
                    }
                    Detail::Settle(_) => {}
                }
            }
        }
    }
}
