//! Finds settle records, and decodes them.

use embedded_storage::nor_flash::NorFlash;

use crate::flash::medium::Medium;
use crate::flash::reader::{Examined, Place};
use crate::format::bytes::from_u24;
use crate::format::generation::Generation;
use crate::format::geometry::Geometry;
use crate::format::record::{Header, Kind, RecordRef, SETTLE};
use crate::format::spare_note::SpareNote;
use crate::log::log_end::Suspect;

/// The first bytes of a settle record's value: enough to include the value of a carried commit.
type First = [u8; 16];

/// A settle record that passes its checks.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Settle {
    pub(crate) found: RecordRef,
    /// Address where the accepted log ends: from there up to the settle record, everything is void.
    pub(crate) accepted: u32,
    /// How many slots of the sector are void, and whether the spare was erased.
    pub(crate) note: SpareNote,
    /// The carried record.
    pub(crate) carried: Option<Suspect>,
}

impl Geometry {
    /// The addresses of a batch's start and end, from its commit's value, in the sector of
    /// `address`.
    fn extent_from(&self, address: u32, value: &[u8]) -> (u32, u32) {
        let &[a, b, c, d, e, f, ..] = value else { return (0, 0) };
        let base = address - self.offset_of(address);
        let limit = self.records_end();
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

/// Pages are addresses here, and `limit` is where the records of the sector end.
impl<F: NorFlash> Medium<F> {
    /// The settle record in the first page, from `page` on, that has one that passes its checks.
    ///
    /// A page with a settle record has a tag that is not blank, so nothing in a value can be
    /// mistaken for one.
    // Outlined, so that a walk does not hold its frame.
    #[inline(never)]
    pub(crate) fn next_settle(
        &mut self,
        mut page: u32,
        limit: u32,
        generation: Generation,
    ) -> Option<Settle> {
        while page + self.geometry.unit < limit {
            if !self.is_blank(page, page + self.geometry.unit)
                && let Some(settle) = self.settle_in(page, limit, generation)
            {
                return Some(settle);
            }
            page += self.geometry.page;
        }
        None
    }

    fn settle_in(&mut self, page: u32, limit: u32, generation: Generation) -> Option<Settle> {
        let mut first: First = [0; _];
        // It may be torn, unless a record that passes follows.
        let place = Place { address: page + self.geometry.unit, limit, generation, proven: false };
        let mut examined = self.read_first(&place, &mut first)?;
        if !examined.whole && examined.found.header.kind() == Kind::Settle {
            let next = Place { address: self.geometry.next_place(examined.found), ..place };
            if self.has_record(&next) {
                examined = self.read_first(&Place { proven: true, ..place }, &mut first)?;
            }
        }
        let [a, b, c, note, ..] = first;
        let found = examined.found;
        (examined.whole && found.header.kind() == Kind::Settle).then(|| Settle {
            found,
            accepted: page - self.geometry.offset_of(page) + from_u24([a, b, c]),
            note: SpareNote::from_byte(note),
            carried: self.geometry.carried_from(found, &first),
        })
    }

    /// Reads a settle record and the first bytes of its value.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    fn read_first(&mut self, place: &Place, first: &mut First) -> Option<Examined> {
        self.examine(place, &mut |medium, found, at, bytes| {
            medium.gather(medium.geometry.value_at(found), at, bytes, first);
        })
    }

    /// The settle record that rules at the address `at`: what stands from its accepted end up to it
    /// is void.
    ///
    /// The last settle record of a sector rules, and within what that accepts again the last one,
    /// and so on down to `at`. An interrupted settle record may read as whole later, but then the
    /// one that the next mount wrote makes it void.
    ///
    /// `rulers` is kept from one call to the next while a sector is walked: a sector may have a
    /// settle record on every page, and must not be searched again for each of them.
    // Outlined, so that a walk does not hold its frame.
    #[inline(never)]
    pub(crate) fn ruling_settle(
        &mut self,
        at: u32,
        limit: u32,
        generation: Generation,
        rulers: &mut Rulers,
    ) -> Option<Settle> {
        let first = self.geometry.page_of(at);
        let first =
            if self.geometry.is_first_in_page(at) { first } else { first + self.geometry.page };
        let left = rulers.from(first, self.geometry.page);
        if left == 0 && !rulers.more {
            return None;
        }
        let page_bytes = self.geometry.page;
        if left != 0
            && let page = first + page_bytes * left.trailing_zeros()
            && let Some(settle) = self.ruler_in(page, limit, generation)
        {
            return Some(settle);
        }
        *rulers = Rulers { first, pages: 0, more: false };
        let mut ruling: Option<Settle> = None;
        let (mut page, mut end) = (self.geometry.page_of(limit), limit);
        while page >= first && end > at {
            if page + self.geometry.unit < end
                && !self.is_blank(page, page + self.geometry.unit)
                && let Some(settle) = self.ruler_in(page, end, generation)
            {
                end = settle.accepted;
                rulers.note(page, self.geometry.page);
                ruling = Some(settle);
            }
            page = page.saturating_sub(self.geometry.page);
            if page == 0 {
                break;
            }
        }
        ruling
    }

    /// The settle record in a page, if what it accepts ends before it.
    fn ruler_in(&mut self, page: u32, end: u32, generation: Generation) -> Option<Settle> {
        self.settle_in(page, end, generation)
            .filter(|settle| settle.accepted <= settle.found.address)
    }
}

/// Which pages of a sector have a settle record that rules somewhere.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Rulers {
    /// The first page that is known.
    first: u32,
    /// One bit for each page from there on, lowest first.
    pages: u32,
    /// Later pages have some, too.
    more: bool,
}

impl Rulers {
    /// Nothing is known.
    pub(crate) const NONE: Self = Self { first: 0, pages: 0, more: true };

    /// Notes a page with a settle record that rules.
    const fn note(&mut self, page: u32, bytes: u32) {
        match 1_u32.checked_shl((page - self.first) >> bytes.trailing_zeros()) {
            Some(bit) => self.pages |= bit,
            None => self.more = true,
        }
    }

    /// The same bits from `page` on.
    const fn from(&self, page: u32, bytes: u32) -> u32 {
        let skip = page.wrapping_sub(self.first) >> bytes.trailing_zeros();
        match self.pages.checked_shr(skip) {
            Some(pages) => pages,
            None => 0,
        }
    }
}
