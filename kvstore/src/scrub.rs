//! Checks everything that is stored, and writes again what has a wrong bit.

use embedded_storage::nor_flash::NorFlash;

use crate::error::Error;
use crate::flash::reader::KeyBytes;
use crate::format::opening::{OPENING, Opening};
use crate::format::record::Kind;
use crate::index::Index;
use crate::log::state::Core;
use crate::store::Store;

/// What [`Store::scrub`] found and did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub struct Scrubbed {
    /// Records that were checked: one for each live key.
    pub checked: usize,
    /// Those that had one wrong bit and were written again.
    pub rewritten: usize,
    /// Those that cannot be read. They stay as they are: [`Store::get`] returns
    /// [`Error::Corrupt`].
    pub damaged: usize,
    /// Whether one copy of a sector's opening cannot be read, or a settle record has a wrong bit.
    /// The call has compacted then; the sector leaves the log after as many calls as there are
    /// sectors, at most.
    pub compacted: bool,
}

impl<F: NorFlash, const N: usize> Store<F, N> {
    /// Checks the record of every live key whole, and writes those again in which one bit is wrong,
    /// before a second one adds to it. Call it in idle time, once a day or once a month: bits of a
    /// healthy part change over years.
    ///
    /// A record that is in doubt (see [`is_doubtful`](Self::is_doubtful)) is not written again, as
    /// that would end the doubt.
    ///
    /// Flash work: reads of all live records, openings and settle records. For each record with a
    /// wrong bit, and once if an opening or a settle record has one, as [`put`](Self::put). If
    /// nothing is wrong, nothing is programmed. A cut does no harm: the records in flight have the
    /// values that they replace.
    ///
    /// # Errors
    /// [`Error::Flash`], [`Error::Worn`], [`Error::ReopenNeeded`]. What is stored stays readable.
    pub fn scrub(&mut self) -> Result<Scrubbed, Error<F::Error>> {
        self.core.ready()?;
        let scrubbed = self.core.scrub(self.entries.as_mut_view());
        let result = self.core.outcome(Ok(scrubbed));
        self.concluded(result)
    }
}

impl<F: NorFlash> Core<F> {
    fn scrub(&mut self, index: &mut Index) -> Scrubbed {
        let mut scrubbed = Scrubbed { checked: 0, rewritten: 0, damaged: 0, compacted: false };
        for position in 0..index.len() {
            let Some(&entry) = index.get(position) else { break };
            let mut key: KeyBytes = [0; _];
            self.medium.fix = (0, 0);
            let found = self.read_item(entry, &mut key, &mut []);
            if self.medium.fault.is_some() {
                return scrubbed;
            }
            scrubbed.checked += 1;
            let Some(found) = found.filter(|found| found.header.kind() != Kind::Lost) else {
                scrubbed.damaged += 1;
                continue;
            };
            let end = self.medium.geometry.end(found);
            if self.medium.has_fix(found.address, end) && !self.is_doubtful(found.address) {
                self.rewrite(position, index);
                scrubbed.rewritten += 1;
            }
        }
        let (tail, head) = (self.log.tail, self.log.head);
        if (tail..=head).any(|sequence| self.has_wrong_bit(sequence)) {
            self.wake(index);
            self.compact(&[], index);
            scrubbed.compacted = true;
        }
        scrubbed
    }

    /// Whether only one copy of a sector's opening can be read, or a settle record has a wrong bit.
    /// A sector that was passed over has neither.
    fn has_wrong_bit(&mut self, sequence: u32) -> bool {
        let base = self.base(sequence);
        let limit = base + self.medium.geometry.records_end();
        let start = self.medium.geometry.opening_start();
        self.medium.fix = (0, 0);
        let generation = self.generation(sequence);
        let mut is_whole = |address| {
            let mut bytes = [0; OPENING as usize];
            self.medium.read(address, &mut bytes)
                && Opening::decode(&bytes, &start).is_ok_and(|it| it.generation == generation)
        };
        // One reading may be wrong.
        if (is_whole(base) || is_whole(base)) != (is_whole(limit) || is_whole(limit)) {
            return self.medium.fault.is_none();
        }
        let mut page = base + self.medium.geometry.page;
        while let Some(settle) = self.medium.next_settle(page, limit, generation) {
            let end = self.medium.geometry.end(settle.found);
            if self.medium.has_fix(settle.found.address, end) {
                return true;
            }
            page = self.medium.geometry.next_page(settle.found.address);
        }
        false
    }
}
