//! A region, and what can be said about its bytes without reading records.

use core::ops::Range;

use super::dump::Dump;
use super::shape::{Shape, geometry};
use crate::flash::medium::Medium;
use crate::format::geometry::Geometry;

/// A store's region.
#[derive(Clone, Copy, Debug)]
pub struct Region<'a> {
    pub(super) bytes: &'a [u8],
    pub(super) geometry: Geometry,
}

/// What a tag says: the unit at the start of a page or of a slot.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tag {
    /// All `FF`: the page is an ordinary one, or the slot is not used.
    Blank,
    /// All zero: a mount took the page, or the slot is used.
    Taken,
    /// Anything else: programming it was interrupted, or it is damaged.
    Begun,
}

impl Tag {
    pub(super) fn of(bytes: &[u8]) -> Self {
        if bytes.iter().all(|byte| *byte == 0xFF) {
            Self::Blank
        } else if bytes.iter().all(|byte| *byte == 0) {
            Self::Taken
        } else {
            Self::Begun
        }
    }
}

impl<'a> Region<'a> {
    /// The region in `bytes`, which may end early. `None` if no store can have this shape.
    #[must_use]
    pub fn new(bytes: &'a [u8], shape: &Shape) -> Option<Self> {
        let geometry = geometry(shape)?;
        let len = geometry.sectors as usize * geometry.sector_bytes as usize;
        Some(Self { bytes: bytes.get(..len).unwrap_or(bytes), geometry })
    }

    /// Its shape, with the page rounded up as the store does it.
    #[must_use]
    pub const fn shape(&self) -> Shape {
        let Geometry { sectors, sector_bytes, page, unit, .. } = self.geometry;
        Shape { sectors, sector_bytes, page_bytes: page, unit }
    }

    /// Offset of the first record in a sector.
    #[must_use]
    pub const fn first_record_offset(&self) -> u32 {
        self.geometry.first_record()
    }

    /// Offset where the records of a sector end at the latest, and the second copy of its opening
    /// begins.
    #[must_use]
    pub const fn records_end_offset(&self) -> u32 {
        self.geometry.records_end()
    }

    /// Where the unit of a sector is that is programmed with zeros right after each erase, to see
    /// whether the sector takes programs.
    #[must_use]
    pub fn trial(&self, sector: u32) -> Range<u32> {
        let from = self.address(sector) + self.geometry.trial();
        from..from + self.geometry.unit
    }

    /// The bytes of a range, if all of them were read out.
    #[must_use]
    pub fn bytes(&self, from: u32, to: u32) -> Option<&'a [u8]> {
        self.bytes.get(from as usize..to as usize)
    }

    /// Whether a range was read out and has a 0 bit.
    #[must_use]
    pub fn is_begun(&self, from: u32, to: u32) -> bool {
        self.bytes(from, to).is_some_and(|bytes| bytes.iter().any(|byte| *byte != 0xFF))
    }

    /// The tag of the page that starts at an address. `None` if that page has no tag: pages that
    /// do not start after the trial unit of a sector, or not before the end of its records.
    #[must_use]
    pub fn page_tag(&self, page: u32) -> Option<Tag> {
        let g = &self.geometry;
        let offset = g.offset_of(page);
        if offset <= g.trial() || offset >= g.records_end() {
            return None;
        }
        self.bytes(page, page + g.unit).map(Tag::of)
    }

    /// The pages of a sector whose tag is not blank: those that mounts took.
    pub fn taken_pages(&self, sector: u32) -> impl Iterator<Item = u32> {
        let base = self.address(sector);
        let pages = (base..base + self.geometry.sector_bytes).step_by(self.geometry.page as usize);
        pages.filter(|page| self.page_tag(*page).is_some_and(|tag| tag != Tag::Blank))
    }

    /// Where a record after bytes that end at `end` starts.
    #[must_use]
    pub const fn place(&self, end: u32) -> u32 {
        self.geometry.place(end)
    }

    /// Where the page after the one that holds an address starts.
    #[must_use]
    pub const fn next_page(&self, address: u32) -> u32 {
        self.geometry.next_page(address)
    }

    /// How many bytes from one address to another belong to records: all but the tags of pages.
    #[must_use]
    pub const fn content_bytes(&self, from: u32, to: u32) -> u32 {
        self.geometry.content_between(from, to)
    }

    pub(super) fn address(&self, sector: u32) -> u32 {
        sector.min(self.geometry.sectors).saturating_mul(self.geometry.sector_bytes)
    }

    pub(super) const fn base_of(&self, address: u32) -> u32 {
        address - self.geometry.offset_of(address)
    }

    /// The region as the code of a mount reads it.
    pub(super) const fn medium(&self) -> Medium<Dump<'a>> {
        Medium::new(Dump(self.bytes), self.geometry)
    }
}
