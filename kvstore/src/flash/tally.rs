//! Reads of tallies.

use embedded_storage::nor_flash::NorFlash;

use super::medium::Medium;
use super::reader::KeyBytes;
use crate::format::bytes::copy;
use crate::format::generation::Generation;
use crate::format::record::{RecordRef, TALLY};
use crate::format::tally::{Run, Tally};

impl<F: NorFlash> Medium<F> {
    /// Reads a tally and the first bytes of its record, its key among them, in one reading: what
    /// was checked is what is returned. `None` if the tally is damaged. A cell that cannot be read
    /// is damage too, except during a mount, since no tick of this power-up was interrupted.
    pub(crate) fn tally(
        &mut self,
        found: RecordRef,
        generation: Generation,
        first: &mut KeyBytes,
    ) -> Option<Tally> {
        let g = self.geometry;
        let value_at = g.value_at(found);
        let cells = g.cells(found);
        let mut value = [0; TALLY as usize];
        let mut run = Run::default();
        self.unread = false;
        let passes = self.scan(found, generation, &mut |_, address, bytes| {
            for (at, byte) in (address..).zip(bytes) {
                if cells.holds(at) {
                    run.add(*byte);
                } else if at < value_at {
                    let place = (at - found.address) as usize;
                    copy(first.get_mut(place..).unwrap_or(&mut []), &[*byte]);
                } else {
                    copy(value.get_mut((at - value_at) as usize..).unwrap_or(&mut []), &[*byte]);
                }
            }
        });
        let (tally, in_order) = Tally::of(value, run);
        // A unit that cannot be read counts as one tick, its first half. That is right whichever
        // half was being cleared: the first tick was then either in flight or acknowledged. If
        // cells are single bits, an unreadable unit says nothing.
        let known = !self.unread || self.mounting && tally.log > 0;
        (passes && in_order && known).then_some(tally)
    }
}
