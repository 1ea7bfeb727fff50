//! Finding the region of a store in a dump.

use std::collections::BTreeMap;

use outlast_kvstore::inspect::{NotOpening, OPENING_BYTES, Shape as Told, opening};

use crate::check;
use crate::container::Segment;
use crate::shape::Shape;

/// What is known beforehand; everything else is found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Known {
    /// Offset of the region in the dump (raw) or its address (HEX, UF2).
    pub base: Option<u32>,
    /// Number of sectors.
    pub sectors: Option<u32>,
    /// Bytes of a sector.
    pub sector_bytes: Option<u32>,
    /// Bytes of a page.
    pub page_bytes: Option<u32>,
    /// Program unit.
    pub unit: Option<u32>,
}

/// A region in a dump.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// How it is divided.
    pub shape: Shape,
    /// Number of its segment.
    pub segment: usize,
    /// Offset in the segment.
    pub offset: usize,
    /// Its address, or its offset in a raw dump.
    pub base: u32,
    /// Sector starts that say so; 0 if it was told, not found.
    pub openings: usize,
}

/// Why no region was found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotFound {
    /// Every byte is `FF`.
    Blank,
    /// It holds nothing at all.
    Empty,
    /// No sector start that reads.
    NoStore,
    /// Sector starts of another format version.
    OtherVersion,
    /// The region begins before the dump does.
    BeginsBefore,
    /// There is more than one.
    Several(Vec<Place>),
    /// What is known beforehand cannot be; the text says why.
    Impossible(String),
}

impl Place {
    /// The bytes of the region; fewer than it has if the dump ends early.
    #[must_use]
    pub fn bytes<'a>(&self, segments: &'a [Segment]) -> &'a [u8] {
        let bytes = segments.get(self.segment).and_then(|s| s.bytes.get(self.offset..));
        let bytes = bytes.unwrap_or(&[]);
        let len = usize::try_from(self.shape.bytes()).unwrap_or(usize::MAX);
        bytes.get(..len).unwrap_or(bytes)
    }
}

impl Known {
    fn agrees(&self, place: &Place) -> bool {
        let Shape { sectors, sector_bytes, page_bytes, unit } = place.shape;
        // The page in flash is the rounded one.
        let page = |page: u32| page.max(unit.saturating_mul(8)).max(64);
        self.base.is_none_or(|base| base == place.base)
            && self.sectors.is_none_or(|n| n == sectors)
            && self.sector_bytes.is_none_or(|n| n == sector_bytes)
            && self.page_bytes.is_none_or(|n| page(n) == page_bytes)
            && self.unit.is_none_or(|n| n == unit)
    }
}

/// Finds the region.
///
/// # Errors
/// [`NotFound`].
pub fn region(segments: &[Segment], known: &Known) -> Result<Place, NotFound> {
    let mut votes: BTreeMap<(usize, usize, Told), usize> = BTreeMap::new();
    let mut instead = NotFound::NoStore;
    for (number, segment) in segments.iter().enumerate() {
        for at in 0..segment.bytes.len().saturating_sub(OPENING_BYTES - 1) {
            let bytes = &segment.bytes[at..at + OPENING_BYTES];
            // Nearly all places are none: two bytes tell.
            if bytes[0] != 0x0A || bytes[1] != 0x57 {
                continue;
            }
            match opening(bytes) {
                Ok((shape, facts)) => {
                    let sector = facts.sequence % shape.sectors;
                    let before = sector as usize * shape.sector_bytes as usize;
                    match at.checked_sub(before) {
                        Some(start) => *votes.entry((number, start, shape)).or_default() += 1,
                        None => instead = NotFound::BeginsBefore,
                    }
                }
                Err(NotOpening::OtherVersion) if instead == NotFound::NoStore => {
                    instead = NotFound::OtherVersion;
                }
                Err(_) => {}
            }
        }
    }
    let found = votes.into_iter().map(|((segment, offset, told), openings)| {
        let shape = Shape::from(told);
        let base = segments[segment].address.wrapping_add(offset as u32);
        Place { shape, segment, offset, base, openings }
    });
    let mut found: Vec<Place> = found.filter(|place| known.agrees(place)).collect();
    // A value may hold what looks like the start of a store; the real one has more of them.
    found.sort_by_key(|place| std::cmp::Reverse(place.openings));
    match (found.first(), found.get(1)) {
        (Some(first), Some(second)) if first.openings == second.openings => {
            let most = second.openings;
            found.retain(|place| place.openings == most);
            return Err(NotFound::Several(found));
        }
        (Some(first), _) => return Ok(first.clone()),
        (None, _) => {}
    }
    if let Some(told) = told(segments, known)? {
        return Ok(told);
    }
    if segments.iter().all(|segment| segment.bytes.is_empty()) {
        return Err(NotFound::Empty);
    }
    let blank = |segment: &Segment| segment.bytes.iter().all(|b| *b == 0xFF);
    Err(if segments.iter().all(blank) { NotFound::Blank } else { instead })
}

/// The region as it is known beforehand, where no sector start reads.
fn told(segments: &[Segment], known: &Known) -> Result<Option<Place>, NotFound> {
    let (Some(sectors), Some(sector_bytes)) = (known.sectors, known.sector_bytes) else {
        return Ok(None);
    };
    let unit = known.unit.unwrap_or(1);
    let page_bytes = known.page_bytes.unwrap_or_else(|| Shape::usual_page(unit));
    let shape = Shape { sectors, sector_bytes, page_bytes, unit };
    if check::region(&[], &shape).is_none() {
        return Err(NotFound::Impossible(format!("no store can have this shape: {shape}")));
    }
    let base = known.base.or_else(|| segments.first().map(|s| s.address)).unwrap_or(0);
    let inside = |segment: &Segment| {
        let end = u64::from(segment.address) + segment.bytes.len() as u64;
        segment.address <= base && u64::from(base) < end
    };
    let Some(segment) = segments.iter().position(inside) else {
        return Err(NotFound::Impossible(format!("the dump holds nothing at 0x{base:X}")));
    };
    let offset = (base - segments[segment].address) as usize;
    Ok(Some(Place { shape, segment, offset, base, openings: 0 }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::Mounted;

    fn image(value: &[u8]) -> Vec<u8> {
        let mut store = Mounted::open(vec![0xFF; 4 * 4096], &Shape::SERIAL_NOR).unwrap();
        store.put(b"key", value).unwrap();
        store.into_parts().0
    }

    fn segment(address: u32, parts: &[&[u8]]) -> Vec<Segment> {
        vec![Segment { address, bytes: parts.concat() }]
    }

    #[test]
    fn a_region_is_found_wherever_it_is() {
        let image = image(b"value");
        for junk in [0, 1, 4096, 12345] {
            let dump = segment(0x1000, &[&vec![0x5A; junk], &image, b"tail"]);
            let place = region(&dump, &Known::default()).unwrap();
            assert_eq!((place.shape, place.offset), (Shape::SERIAL_NOR, junk));
            assert_eq!(place.base, 0x1000 + junk as u32);
            assert_eq!(place.bytes(&dump), image);
            // Cut short.
            let dump = segment(0, &[&vec![0; junk], &image[..5000]]);
            assert_eq!(region(&dump, &Known::default()).unwrap().bytes(&dump).len(), 5000);
        }
    }

    #[test]
    fn what_is_no_region_is_told_apart() {
        let find = |bytes: &[u8]| region(&segment(0, &[bytes]), &Known::default()).unwrap_err();
        assert_eq!(find(&[]), NotFound::Empty);
        assert_eq!(find(&[0xFF; 9000]), NotFound::Blank);
        assert_eq!(find(b"#!/bin/sh\n"), NotFound::NoStore);
        let image = image(b"value");
        assert!(
            matches!(find(&[&image[..], &image[..]].concat()), NotFound::Several(p) if p.len() == 2)
        );
        // The first opening stands in sector 0 with number 4; as number 5 it would be sector 1.
        let known = Known { base: Some(16384), ..Known::default() };
        let twice = segment(0, &[&image, &image]);
        assert_eq!(region(&twice, &known).unwrap().offset, 16384);
        let mut killed = image;
        killed[..32].fill(0);
        assert_eq!(find(&killed), NotFound::NoStore);
        let known = Known { sectors: Some(4), sector_bytes: Some(4096), ..Known::default() };
        let told = region(&segment(0, &[&killed]), &known).unwrap();
        assert_eq!((told.openings, told.shape), (0, Shape::SERIAL_NOR));
        let known = Known { sector_bytes: Some(1000), ..known };
        assert!(matches!(region(&segment(0, &[&killed]), &known), Err(NotFound::Impossible(_))));
    }

    /// A store of the next format version, as far as a reader of this one can know it.
    #[test]
    fn a_newer_format_is_recognised() {
        let mut bytes = image(b"value")[..31].to_vec();
        bytes[2] = 2;
        let crc = crc32c::crc32c(&bytes[..25]);
        bytes[25..29].copy_from_slice(&crc.to_le_bytes());
        let zeros: u32 = bytes[..29].iter().map(|b| b.count_zeros()).sum();
        bytes[29..31].copy_from_slice(&(zeros as u16).to_be_bytes());
        let dump = segment(0, &[&bytes, &[0xFF; 4000]]);
        assert_eq!(region(&dump, &Known::default()), Err(NotFound::OtherVersion));
    }
}
