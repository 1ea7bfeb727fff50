//! Finds settle records, and decodes them.

use embedded_storage::nor_flash::NorFlash;

use super::held::{Detail, Held, Settle};
use crate::flash::medium::Medium;
use crate::format::bytes::from_u24;
use crate::format::generation::Generation;
use crate::format::geometry::Geometry;
use crate::format::opening::Opening;
use crate::format::record::{Header, Kind, RecordRef, SETTLE};
use crate::log::log_end::Suspect;

/// The first bytes of a settle record's value: enough to include the value of a carried commit.
type First = [u8; 32];

/// The sector info that a settle record repeats.
fn sector_info_in(first: &First) -> Opening {
    let info = first.get(3..).and_then(<[u8]>::first_chunk);
    info.map_or(Opening::NONE, Opening::from_sector_info)
}

impl Geometry {
    /// The carried record, which has this header, of the settle record at an address.
    pub(crate) const fn carried_record(&self, settle: u32, header: Header) -> RecordRef {
        let address = settle + self.header() + SETTLE;
        RecordRef { address, header }
    }

    /// The addresses of a batch's start and end, from its commit's value, in the sector of
    /// `address`.
    fn extent_from(&self, address: u32, value: &[u8]) -> (u32, u32) {
        let &[a, b, c, d, e, f, ..] = value else { return (0, 0) };
        let base = address - self.offset_of(address);
        let limit = self.sector_bytes;
        (base + from_u24([a, b, c]).min(limit), base + from_u24([d, e, f]).min(limit))
    }

    /// The carried record, from the first bytes of the settle record's value.
    fn carried_from(&self, settle: RecordRef, first: &First) -> Option<Suspect> {
        if settle.header.value_len() <= SETTLE {
            return None;
        }
        let carried = first.get(SETTLE as usize..)?;
        let found = self.carried_record(settle.address, Header::decode(carried, self.header())?);
        let value = carried.get(self.header() as usize..)?;
        let extent = self.extent_from(found.address, value);
        (self.end(found) <= self.end(settle)).then_some(Suspect { found, extent })
    }
}

impl<F: NorFlash> Medium<F> {
    /// Finds the next settle record after `place` that passes its checks, and returns whether
    /// there is one.
    ///
    /// Mounts write settle records after a trace at a page start. `generation` is that of the
    /// sector. If it is not known, the record must pass with the generation that its own sector
    /// info gives.
    // Outlined, so that a walk does not hold its frame.
    #[inline(never)]
    pub(crate) fn next_settle(
        &mut self,
        mut place: u32,
        limit: u32,
        generation: Option<Generation>,
        settle: &mut Held,
        info: &mut Opening,
    ) -> bool {
        while let Some(found) = self.next_settle_header(place, limit) {
            let mut first: First = [0; _];
            let expected = generation.unwrap_or_else(|| {
                let start = first.split_at_mut(SETTLE as usize).0;
                self.read(self.geometry.value_at(found), start);
                sector_info_in(&first).generation
            });
            let whole = self.whole(found, expected, &mut first);
            *info = sector_info_in(&first);
            if whole && info.generation == expected {
                let [a, b, c, ..] = first;
                let carried = self.geometry.carried_from(found, &first);
                let detail = Detail::Settle(Settle { accepted: from_u24([a, b, c]), carried });
                *settle = Held { found: Some(found), detail };
                return true;
            }
            // Skip the whole record, since a value in it may imitate a settle record.
            place = self.geometry.end(found) - 1;
        }
        false
    }

    /// The header of the next settle record in the pages after that of `place`.
    pub(crate) fn next_settle_header(&mut self, place: u32, limit: u32) -> Option<RecordRef> {
        let mut page = self.geometry.next_page(place);
        while page + self.geometry.passed_area() <= limit {
            let found = self.settle_header(page, limit);
            if found.is_some() {
                return found;
            }
            page += self.geometry.page;
        }
        None
    }

    /// The header of the settle record after the trace of this page.
    pub(crate) fn settle_header(&mut self, page: u32, limit: u32) -> Option<RecordRef> {
        let trace = self.geometry.trace();
        if !self.is_all(0, page, page + trace) {
            return None;
        }
        let found = self.header(page + trace, limit)?;
        (found.header.kind() == Kind::Settle).then_some(found)
    }
}
