//! Reads of tallies.

use embedded_storage::nor_flash::NorFlash;

use super::medium::Medium;
use super::reader::{KeyBytes, Place};
use crate::format::bytes::copy;
use crate::format::record::{Kind, RecordRef, TALLY};
use crate::format::tally::{Run, Tally};

impl<F: NorFlash> Medium<F> {
    /// Reads a tally and its key in one reading: what was checked is what is returned. `None` if
    /// the tally is damaged. A cell that cannot be read is damage too, except during a mount, since
    /// no tick of this power-up was interrupted.
    pub(crate) fn tally(
        &mut self,
        place: &Place,
        key: &mut KeyBytes,
    ) -> Option<(RecordRef, Tally)> {
        let mut value = [0; TALLY as usize];
        let mut run = Run::new(0);
        self.unread = false;
        let examined = self.examine(place, &mut |medium, found, at, bytes| {
            let cells = medium.geometry.cells(found);
            medium.gather_key(found, at, bytes, key);
            for (at, byte) in (at..).zip(bytes) {
                if cells.holds(at) {
                    run.add(*byte);
                    continue;
                }
                let value_at = medium.geometry.value_at(found);
                if at >= value_at && at < cells.from {
                    let number = medium.geometry.content_between(value_at, at) as usize;
                    copy(value.get_mut(number..).unwrap_or(&mut []), &[*byte]);
                    run = Run::new(value.last().copied().unwrap_or(0));
                }
            }
        });
        let examined = examined?;
        let (tally, in_order) = Tally::of(value, run);
        // A unit that cannot be read counts as an interrupted tick. If cells are single bits, an
        // unreadable unit says nothing.
        let known = !self.unread || self.mounting && tally.log > 0;
        let is_tally = examined.found.header.kind() == Kind::Tally;
        (examined.whole && is_tally && in_order && known).then_some((examined.found, tally))
    }
}
