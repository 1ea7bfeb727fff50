//! Finding the region of a store in a dump.

use std::collections::BTreeMap;
use std::fmt;

use outlast_kvstore::inspect::{
    Event, NotOpening, OPENING_BYTES, Region, SectorInfo, Shape as StoredShape, opening,
};

use crate::container::{Contents, Segment};
use crate::shape::Shape;

/// What is known in advance; everything else is found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Known {
    /// The region's offset in the dump (raw) or its address (HEX, UF2).
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
    /// Its sectors, pages and program unit.
    pub shape: Shape,
    /// The number of the segment it is in.
    pub segment: usize,
    /// Its offset in the segment.
    pub offset: usize,
    /// Its address, or its offset in a raw dump.
    pub base: u32,
    /// How many sectors have an opening that agrees on it; 0 if it was given, not found.
    pub openings: usize,
}

/// Why no region was found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotFound {
    /// Every byte is `FF`.
    Blank,
    /// The file is empty.
    Empty,
    /// No sector opening can be read.
    NoStore,
    /// The sector openings are of an older format version.
    OlderVersion,
    /// The sector openings are of a newer format version.
    NewerVersion,
    /// The region begins before the dump does.
    BeginsBefore,
    /// There is more than one region.
    Several(Vec<Place>),
    /// What is known in advance cannot be right; the text says why.
    Impossible(String),
}

/// A region that the dump may hold, and the offsets of the sector openings that say so.
struct Candidate {
    place: Place,
    openings: Vec<usize>,
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

    /// Whether an offset in its segment lies in this region.
    fn holds(&self, at: usize) -> bool {
        at.checked_sub(self.offset).is_some_and(|at| (at as u64) < self.shape.bytes())
    }

    /// Whether all sector openings of another candidate lie in this region.
    fn surrounds(&self, other: &Candidate) -> bool {
        self.segment == other.place.segment && other.openings.iter().all(|at| self.holds(*at))
    }

    /// Whether a sector opening of another candidate is where this region has an opening.
    fn is_contradicted(&self, other: &Candidate) -> bool {
        let size = self.shape.sector_bytes as usize;
        let on_start = |at: &usize| {
            self.holds(*at) && [0, size - OPENING_BYTES].contains(&((*at - self.offset) % size))
        };
        self.segment == other.place.segment
            && (other.place.offset == self.offset || other.openings.iter().any(on_start))
    }
}

impl fmt::Display for Known {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let options = [
            ("--sectors", self.sectors),
            ("--sector-bytes", self.sector_bytes),
            ("--page", self.page_bytes),
            ("--unit", self.unit),
        ];
        let mut said: Vec<String> = options
            .iter()
            .filter_map(|(name, number)| number.map(|number| format!("{name} {number}")))
            .collect();
        said.extend(self.base.map(|base| format!("--base 0x{base:X}")));
        f.write_str(&said.join(" "))
    }
}

impl Known {
    fn agrees(&self, place: &Place) -> bool {
        let Shape { sectors, sector_bytes, page_bytes, unit } = place.shape;
        self.base.is_none_or(|base| base == place.base)
            && self.sectors.is_none_or(|n| n == sectors)
            && self.sector_bytes.is_none_or(|n| n == sector_bytes)
            && self.page_bytes.is_none_or(|n| Shape::page_as_stored(n, unit) == page_bytes)
            && self.unit.is_none_or(|n| n == unit)
    }
}

/// Finds the region.
///
/// # Errors
/// [`NotFound`].
pub fn region(segments: &[Segment], known: &Known) -> Result<Place, NotFound> {
    let mut votes: BTreeMap<(usize, usize, StoredShape), Vec<usize>> = BTreeMap::new();
    let mut instead = NotFound::NoStore;
    for (number, segment) in segments.iter().enumerate() {
        for Sector { start, at, shape, info } in sectors(&segment.bytes, &mut instead) {
            let sector = info.sequence % shape.sectors;
            let before = sector as usize * shape.sector_bytes as usize;
            match start.checked_sub(before) {
                Some(start) => votes.entry((number, start, shape)).or_default().push(at),
                None => instead = NotFound::BeginsBefore,
            }
        }
    }
    let all: Vec<Candidate> = votes
        .into_iter()
        .map(|((segment, offset, stored), openings)| {
            let base = segments[segment].address.wrapping_add(offset as u32);
            let shape = Shape::from(stored);
            Candidate {
                place: Place { shape, segment, offset, base, openings: openings.len() },
                openings,
            }
        })
        .collect();
    let mut found: Vec<&Candidate> =
        all.iter().filter(|found| known.agrees(&found.place)).collect();
    found.sort_by_key(|found| std::cmp::Reverse(found.openings.len()));
    if let Some((first, others)) = found.split_first() {
        // A value may hold the image of a store. The store around it has more openings.
        let inner = |other: &&&Candidate| {
            other.openings.len() < first.openings.len() && first.place.surrounds(other)
        };
        if others.iter().all(|other| inner(&other)) {
            return Ok(first.place.clone());
        }
        return Err(NotFound::Several(found.into_iter().map(|f| f.place.clone()).collect()));
    }
    let given = given(segments, known)?;
    // Openings in values and those of stores elsewhere do not contradict what was given.
    let says = |found: &&Candidate| given.as_ref().is_none_or(|given| given.is_contradicted(found));
    if let Some(found) =
        all.iter().filter(says).min_by_key(|found| std::cmp::Reverse(found.openings.len()))
    {
        let Place { shape, base, .. } = &found.place;
        let said = format!("the dump says {shape} at 0x{base:X}, the options say {known}");
        return Err(NotFound::Impossible(said));
    }
    let is_blank = |bytes: &[u8]| bytes.iter().all(|b| *b == 0xFF);
    if let Some(given) = given {
        return if is_blank(given.bytes(segments)) { Err(NotFound::Blank) } else { Ok(given) };
    }
    if segments.iter().all(|segment| segment.bytes.is_empty()) {
        return Err(NotFound::Empty);
    }
    let blank = segments.iter().all(|segment| is_blank(&segment.bytes));
    Err(if blank { NotFound::Blank } else { instead })
}

/// A sector of a store, found by its opening.
struct Sector {
    /// Where the sector starts.
    start: usize,
    /// Where the opening stands that was found: at the start, or a copy of it at the end.
    at: usize,
    shape: StoredShape,
    info: SectorInfo,
}

/// The sectors whose openings a segment holds. Notes openings of other versions.
fn sectors(bytes: &[u8], instead: &mut NotFound) -> Vec<Sector> {
    let mut found: BTreeMap<usize, (StoredShape, SectorInfo)> = BTreeMap::new();
    for at in 0..bytes.len().saturating_sub(OPENING_BYTES - 1) {
        let bytes = &bytes[at..at + OPENING_BYTES];
        // Two bytes rule out nearly all places.
        if bytes[0] != 0x0A || bytes[1] != 0x57 {
            continue;
        }
        match opening(bytes) {
            Ok(what) => drop(found.insert(at, what)),
            Err(NotOpening::NewerVersion) if *instead == NotFound::NoStore => {
                *instead = NotFound::NewerVersion;
            }
            Err(NotOpening::OlderVersion) if *instead == NotFound::NoStore => {
                *instead = NotFound::OlderVersion;
            }
            Err(_) => {}
        }
    }
    let distance = |shape: &StoredShape| shape.sector_bytes as usize - OPENING_BYTES;
    let mut out = Vec::new();
    for (&at, &(shape, info)) in &found {
        let second = at + distance(&shape);
        let first = at.checked_sub(distance(&shape));
        if first.is_some_and(|first| found.get(&first) == Some(&(shape, info))) {
            // Met with its first copy.
            continue;
        }
        let start = match first {
            // One copy is lost: its records show which one.
            Some(first)
                if found.get(&second) != Some(&(shape, info))
                    && records_at(bytes, first, &shape, &info)
                        > records_at(bytes, at, &shape, &info) =>
            {
                first
            }
            _ => at,
        };
        out.push(Sector { start, at, shape, info });
    }
    out
}

/// How many records of a sector pass their checks if it starts at this offset.
fn records_at(bytes: &[u8], start: usize, shape: &StoredShape, info: &SectorInfo) -> usize {
    let bytes = bytes.get(start..).unwrap_or(&[]);
    let Some(region) = Region::new(bytes, shape) else { return 0 };
    let limits = (info.proven_end, region.records_end_offset());
    let mut count = 0;
    region.walk(0, (info.epoch, info.sequence), limits, &mut |event| match event {
        Event::Record(_, passes) => count += usize::from(passes),
        Event::Settled(..) => count += 1,
        _ => {}
    });
    count
}

/// Joins the segments of a region. A file may leave out more between them than is filled while the
/// region is not yet known.
pub fn join(contents: &mut Contents, place: &Place) {
    let end = u64::from(place.base) + place.shape.bytes();
    let first = (place.segment + 1).min(contents.segments.len());
    let (before, after) = contents.segments.split_at_mut(first);
    let Some(first) = before.last_mut() else { return };
    let inner = after.iter().take_while(|segment| u64::from(segment.address) < end).count();
    for segment in &after[..inner] {
        let from = u64::from(first.address) + first.bytes.len() as u64;
        contents.gaps.push(from..segment.address.into());
        first.bytes.resize((segment.address - first.address) as usize, 0xFF);
        first.bytes.extend_from_slice(&segment.bytes);
    }
    contents.segments.drain(place.segment + 1..place.segment + 1 + inner);
}

/// The region as it was given, where no sector opening can be read.
fn given(segments: &[Segment], known: &Known) -> Result<Option<Place>, NotFound> {
    let (Some(sectors), Some(sector_bytes)) = (known.sectors, known.sector_bytes) else {
        return Ok(None);
    };
    let unit = known.unit.unwrap_or(1);
    let page_bytes = known.page_bytes.unwrap_or_else(|| Shape::default_page(unit));
    let shape = Shape { sectors, sector_bytes, page_bytes, unit };
    if shape.region(&[]).is_none() {
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
    use crate::container::{self, Container, Writing};
    use crate::store::Mounted;

    fn image(value: &[u8]) -> Vec<u8> {
        let mut store = Mounted::open(vec![0xFF; 4 * 4096], &Shape::SERIAL_NOR).unwrap();
        store.put(b"key", value).unwrap();
        store.into_parts().0
    }

    /// Destroys both copies of the opening of sector 0.
    fn kill(image: &mut [u8]) {
        image[..32].fill(0);
        image[4096 - 32..4096].fill(0);
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
        // The first opening is in sector 0 with sequence number 4; number 5 would be sector 1.
        let known = Known { base: Some(16384), ..Known::default() };
        let twice = segment(0, &[&image, &image]);
        assert_eq!(region(&twice, &known).unwrap().offset, 16384);
        let mut killed = image;
        kill(&mut killed);
        assert_eq!(find(&killed), NotFound::NoStore);
        let known = Known { sectors: Some(4), sector_bytes: Some(4096), ..Known::default() };
        let given = region(&segment(0, &[&killed]), &known).unwrap();
        assert_eq!((given.openings, given.shape), (0, Shape::SERIAL_NOR));
        // What is given contradicts the dump.
        let mut damaged = twice[0].bytes.clone();
        kill(&mut damaged);
        let damaged = segment(0, &[&damaged]);
        let other = Known { sectors: Some(8), ..known };
        assert_eq!(
            region(&twice, &other),
            Err(NotFound::Impossible(
                "the dump says 4 x 4096 bytes, unit 1, page 256 at 0x0, the options say --sectors 8 \
                 --sector-bytes 4096"
                    .to_owned()
            ))
        );
        // Another store elsewhere does not contradict it.
        let first = Known { base: Some(0), ..known };
        assert_eq!(region(&damaged, &first).unwrap().openings, 0);
        assert_eq!(region(&segment(0, &[&[0xFF; 16384]]), &known), Err(NotFound::Blank));
        let known = Known { sector_bytes: Some(1000), ..known };
        assert!(matches!(region(&segment(0, &[&killed]), &known), Err(NotFound::Impossible(_))));
    }

    /// A value may hold the image of a store, but a store next to it is a second one.
    #[test]
    fn a_second_store_with_fewer_openings_is_seen() {
        let mut store = Mounted::open(vec![0xFF; 4 * 4096], &Shape::SERIAL_NOR).unwrap();
        for number in 0_u8.. {
            store.put(b"key", &[&[number], &image(b"inner")[..600]].concat()).unwrap();
            if store.usage().compactions > 2 {
                break;
            }
        }
        let large = store.into_parts().0;
        let find = |parts: &[&[u8]]| region(&segment(0, parts), &Known::default());
        assert_eq!(find(&[&large]).map(|place| place.offset), Ok(0));
        let Err(NotFound::Several(places)) = find(&[&large, &image(b"value")]) else {
            panic!("one was chosen");
        };
        assert!(places.iter().any(|place| place.offset == 16384));
    }

    /// A tool leaves out the blank middle of a large region.
    #[test]
    fn a_region_is_joined_over_a_large_gap() {
        let shape = Shape { sectors: 512, ..Shape::SERIAL_NOR };
        let mut store = Mounted::open(vec![0xFF; 512 * 4096], &shape).unwrap();
        store.put(b"key", b"value").unwrap();
        let image = store.into_parts().0;
        let whole = Segment { address: 0x1000, bytes: image.clone() };
        let how = Writing { container: Container::Hex, skip_blank: Some(256), family: None };
        let file = container::write(&[whole], &how).unwrap();
        let mut contents = container::read(file, Container::Hex).unwrap();
        assert_eq!(contents.segments.len(), 2);
        let place = region(&contents.segments, &Known::default()).unwrap();
        join(&mut contents, &place);
        assert_eq!((contents.segments.len(), place.bytes(&contents.segments)), (1, &image[..]));
    }

    /// One copy of the opening is enough, and the records show which one it is.
    #[test]
    fn a_region_is_found_by_either_copy_of_an_opening() {
        let image = image(b"value");
        for lost in [0, 4096 - 32] {
            let mut bytes = image.clone();
            bytes[lost..lost + 32].fill(0);
            for junk in [0, 100, 4064, 5000] {
                let dump = segment(0, &[&vec![0x5A; junk], &bytes]);
                let place = region(&dump, &Known::default()).unwrap();
                assert_eq!((place.offset, place.openings), (junk, 1), "{lost}");
            }
        }
    }

    /// Openings of the version before and of the next one, as far as a reader of this one can know
    /// it.
    #[test]
    fn other_versions_are_recognised() {
        let version = |version, len: usize| {
            let mut bytes = image(b"value")[..len].to_vec();
            bytes[2] = version;
            let crc = crc32c::crc32c(&bytes[..len - 6]);
            bytes[len - 6..len - 2].copy_from_slice(&crc.to_le_bytes());
            let zeros: u32 = bytes[..len - 2].iter().map(|b| b.count_zeros()).sum();
            bytes[len - 2..].copy_from_slice(&(zeros as u16).to_be_bytes());
            region(&segment(0, &[&bytes, &[0xFF; 4000]]), &Known::default())
        };
        assert_eq!(version(1, 31), Err(NotFound::OlderVersion));
        assert_eq!(version(3, 32), Err(NotFound::NewerVersion));
    }
}
