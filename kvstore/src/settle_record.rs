//! Settle and commit records: finding them, and what they say.

use embedded_storage::nor_flash::NorFlash;

use crate::error::Fault;
use crate::layout::Geometry;
use crate::medium::{Found, Medium};
use crate::record::{FACTS, Header, Kind, Life, Opening, SETTLE, from_u24};

/// The first bytes of a settle record: as far as the value of a commit that it carries.
type First = [u8; 40];

/// A whole settle record and what it says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Settle {
    pub(crate) found: Found,
    /// Offset where the accepted log ends.
    pub(crate) accepted: u32,
    /// The copy it carries; [`Found::NONE`] if it carries none.
    pub(crate) cargo: Found,
    /// If that is a commit: the addresses it names.
    pub(crate) extent: (u32, u32),
}

impl Settle {
    pub(crate) const NONE: Self =
        Self { found: Found::NONE, accepted: 0, cargo: Found::NONE, extent: (0, 0) };
}

impl Geometry {
    /// The record that the settle record at `address` carries.
    pub(crate) const fn cargo(&self, settle: u32, header: Header) -> Found {
        let address = settle + self.header() + SETTLE;
        Found { address, end: self.end_at(address, &header), header }
    }

    /// The addresses a commit's value names, in the sector of `address`.
    pub(crate) fn extent_from(&self, address: u32, value: &[u8]) -> (u32, u32) {
        let &[a, b, c, d, e, f, ..] = value else { return (0, 0) };
        let base = address - self.offset_of(address);
        let limit = self.sector_bytes;
        (base + from_u24([a, b, c]).min(limit), base + from_u24([d, e, f]).min(limit))
    }

    /// What a settle record says, from its first bytes.
    fn settle_from(&self, found: Found, first: &First) -> Settle {
        let header = self.header() as usize;
        let value = first.get(header..).unwrap_or(&[]);
        let (accepted, rest) = value.split_first_chunk().unwrap_or((&[0; 3], &[]));
        let carried = rest.get(FACTS as usize..).unwrap_or(&[]);
        let mut settle = Settle { found, accepted: from_u24(*accepted), ..Settle::NONE };
        if found.header.value_len > SETTLE
            && let Some(inner) = Header::decode(carried, self.header())
        {
            let cargo = self.cargo(found.address, inner);
            if cargo.end <= found.end {
                settle.cargo = cargo;
                let value = carried.get(header..).unwrap_or(&[]);
                settle.extent = self.extent_from(found.address, value);
            }
        }
        settle
    }
}

impl<F: NorFlash> Medium<F> {
    /// Finds the next settle record behind `place`, where a walk found no record: mounts place them
    /// at page starts, behind a trace. `false`: there is none. Addresses in one sector.
    #[inline(never)] // A walk should not hold its stack.
    pub(crate) fn next_settle(
        &mut self,
        place: u32,
        limit: u32,
        life: Life,
        settle: &mut Settle,
    ) -> bool {
        let g = self.geometry;
        let mut page = g.next_page(place);
        while page + g.passed_area() <= limit {
            let Some(found) = self.settle_header(page, limit) else {
                page += g.page;
                continue;
            };
            let mut first = [0; _];
            if self.whole(&found, life, &mut first) {
                *settle = g.settle_from(found, &first);
                return true;
            }
            // A value in it may hold the image of a settle record.
            page = g.next_page(found.end - 1);
        }
        false
    }

    /// The header of a settle record behind the trace of the page at `page`.
    pub(crate) fn settle_header(&mut self, page: u32, limit: u32) -> Option<Found> {
        let trace = self.geometry.trace();
        if !self.is_all(0, page, page + trace) {
            return None;
        }
        let found = self.header(page + trace, limit)?;
        (found.header.kind == Kind::Settle).then_some(found)
    }

    /// The facts of a settle record that passes its checks with the life they tell.
    pub(crate) fn self_evident_settle(&mut self, found: &Found) -> Option<Opening> {
        let mut facts = [0; FACTS as usize];
        self.read(self.geometry.value_at(found) + 3, &mut facts).ok()?;
        let told = Opening::from_facts(&facts);
        let mut first: First = [0; _];
        if !self.whole(found, told.life, &mut first) {
            return None;
        }
        let checked = first.get(self.geometry.header() as usize + 3..)?.first_chunk()?;
        Some(Opening::from_facts(checked)).filter(|facts| facts.life == told.life)
    }

    /// The addresses between which the records stand that a commit names.
    pub(crate) fn commit_extent(&mut self, commit: &Found) -> Result<(u32, u32), Fault<F::Error>> {
        let mut value = [0; 6];
        self.read(self.geometry.value_at(commit), &mut value)?;
        Ok(self.geometry.extent_from(commit.address, &value))
    }
}
