//! The arithmetic of sectors, pages and units.

#[cfg(feature = "counters")]
use super::cells::Cells;
use super::generation::Generation;
use super::opening::{OPENING, OpeningStart, SIGNATURE, VERSION};
#[cfg(feature = "counters")]
use super::record::TALLY;
use super::record::{Header, Kind, MAX_HEADER, MAX_TRAILER, RecordRef};
use super::slot::WORD;

/// Largest sector whose records have the short header and trailer.
const SHORT_UP_TO: u32 = 8192;

/// A layout that fits the flash.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Geometry {
    /// Flash address of sector 0.
    pub(crate) base: u32,
    pub(crate) sector_bytes: u32,
    pub(crate) sectors: u32,
    /// Bytes of a page, in which a header must lie whole.
    pub(crate) page: u32,
    /// Alignment of everything programmed, in bytes.
    pub(crate) unit: u32,
    /// Bytes of a record header. Stored, since most calls need it.
    header: u32,
}

impl Geometry {
    pub(crate) const fn new(
        base: u32,
        sector_bytes: u32,
        sectors: u32,
        page: u32,
        unit: u32,
    ) -> Self {
        // Large sectors need one more byte for lengths and one more for zero counts.
        let header = if sector_bytes > SHORT_UP_TO { MAX_HEADER } else { MAX_HEADER - 1 };
        Self { base, sector_bytes, sectors, page, unit, header }
    }

    /// The first bytes of this layout's openings.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn opening_start(&self) -> OpeningStart {
        let powers = self.unit.trailing_zeros() as u8 | (self.page.trailing_zeros() as u8) << 3;
        let ([t0, t1], [s0, s1, s2, _]) = (SIGNATURE, self.sector_bytes.to_le_bytes());
        [t0, t1, VERSION, powers, s0, s1, s2, self.sectors as u8, (self.sectors >> 8) as u8]
    }

    /// Bytes of a record header.
    pub(crate) const fn header(&self) -> u32 {
        self.header
    }

    /// Bytes of a record trailer: CRC-32C and zero count.
    pub(crate) const fn trailer(&self) -> u32 {
        self.header + MAX_TRAILER - MAX_HEADER
    }

    /// Longest value that a header can describe.
    pub(crate) const fn max_value(&self) -> u32 {
        if self.header == MAX_HEADER { 16 * SHORT_UP_TO - 1 } else { SHORT_UP_TO - 1 }
    }

    pub(crate) const fn round_up(&self, offset: u32) -> u32 {
        (offset + self.unit - 1) & !(self.unit - 1)
    }

    /// Start of the page that holds `offset`.
    pub(crate) const fn page_of(&self, offset: u32) -> u32 {
        offset & !(self.page - 1)
    }

    /// First page boundary after `offset`.
    pub(crate) const fn next_page(&self, offset: u32) -> u32 {
        self.page_of(offset) + self.page
    }

    /// Bytes that a header takes at its place, in whole units.
    pub(crate) const fn header_area(&self) -> u32 {
        self.round_up(self.header())
    }

    /// Number of slots in a sector: 12 take at most three eighths of it, and a tenth of a sector of 4 KiB
    /// at unit 16.
    pub(crate) const fn slots(&self) -> u32 {
        if self.sector_bytes >= 64 * self.unit { 12 } else { 8 }
    }

    /// Bytes of a slot's word.
    pub(crate) const fn word_area(&self) -> u32 {
        if self.unit > WORD { self.unit } else { WORD }
    }

    /// Offset of a slot in a sector.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn slot(&self, number: u32) -> u32 {
        OPENING + number * (self.unit + self.word_area())
    }

    /// Offset of the unit that is programmed after an erase, to see whether the sector takes it.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn trial(&self) -> u32 {
        self.slot(self.slots())
    }

    /// Offset of the first record in a sector.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn first_record(&self) -> u32 {
        self.place(self.trial() + self.unit)
    }

    /// Offset where the records of a sector end at the latest: there the second copy of the opening
    /// stands.
    pub(crate) const fn records_end(&self) -> u32 {
        self.sector_bytes - OPENING
    }

    /// The first place at or after `offset` where a record may start: after the page's tag, and
    /// where its header lies in one page.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    #[cfg_attr(target_pointer_width = "64", inline)]
    pub(crate) const fn place(&self, offset: u32) -> u32 {
        let start = self.page_of(offset);
        if offset == start {
            return offset + self.unit;
        }
        let next = start + self.page;
        if offset + self.header_area() > next { next + self.unit } else { offset }
    }

    /// Whether a record at this place would be the first of its page.
    pub(crate) const fn is_first_in_page(&self, place: u32) -> bool {
        place & (self.page - 1) == self.unit
    }

    /// The address after `count` bytes of content that start at `at`. Content goes on after the
    /// tag of each page.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    #[cfg_attr(target_pointer_width = "64", inline)]
    pub(crate) const fn advance(&self, mut at: u32, mut count: u32) -> u32 {
        loop {
            let boundary = self.next_page(at);
            if count <= boundary - at {
                return at + count;
            }
            count -= boundary - at;
            at = boundary + self.unit;
        }
    }

    /// The least share of a record in its last page, if that is not its first one. It holds the
    /// whole trailer, and is so long that the start of a settle record that an interrupted mount
    /// left there cannot be mistaken for the end of the record.
    const fn least_share(&self) -> u32 {
        self.round_up(self.header() + self.trailer())
    }

    /// End of a record that starts at `start` and has `content` bytes of key and value.
    #[cfg_attr(target_pointer_width = "64", inline)]
    const fn record_end(&self, start: u32, content: u32) -> u32 {
        // Rounds the end, not the length, since a carried record does not start on a unit.
        let end = self.round_up(self.advance(start, self.header() + content + self.trailer()));
        let last = self.page_of(end - 1);
        let least = last + self.unit + self.least_share();
        if self.page_of(start) != last && end < least { least } else { end }
    }

    /// End of a record. The flag of a rest record stands after it.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    #[cfg_attr(target_pointer_width = "64", inline)]
    pub(crate) const fn end(&self, RecordRef { address, header }: RecordRef) -> u32 {
        // Sectors are whole pages, so an address serves as well as an offset.
        self.record_end(address, header.key_len() + header.value_len())
    }

    /// Where the record after this one starts.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    #[cfg_attr(target_pointer_width = "64", inline)]
    pub(crate) const fn next_place(&self, found: RecordRef) -> u32 {
        let flag = if matches!(found.header.kind(), Kind::Rest) { self.unit } else { 0 };
        self.place(self.end(found) + flag)
    }

    /// The header of a rest record at this place. Its flag, the unit after it, lies in the page of
    /// its last byte, so that an interrupted program of one never touches the page of the other.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn rest_header(&self, place: u32) -> Header {
        let found = RecordRef { address: place, header: Header::REST };
        let boundary = self.next_page(place);
        if self.end(found) + self.unit <= boundary {
            return Header::REST;
        }
        // The trailer goes to the next page.
        Header::new(Kind::Rest, 0, boundary - place - self.header())
    }

    /// First page after a record.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn page_after(&self, found: RecordRef) -> u32 {
        self.next_page(self.end(found) - 1)
    }

    /// End of the record with this header if it is appended at `end`.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn end_after(&self, end: u32, header: Header) -> u32 {
        self.end(RecordRef { address: self.place(end), header })
    }

    /// Bytes of a record with `content` bytes of key and value, without the padding that its place
    /// adds.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    const fn record_bytes(&self, content: u32) -> u32 {
        self.round_up(self.header() + content + self.trailer())
    }

    /// The address of the content byte with this number, counted from `start`.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    #[cfg_attr(target_pointer_width = "64", inline)]
    pub(crate) const fn content_at(&self, start: u32, number: u32) -> u32 {
        let at = self.advance(start, number);
        if self.page_of(at) == at { at + self.unit } else { at }
    }

    /// How many bytes of content there are from `start` up to `at`. Neither is in a page's tag.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    #[cfg_attr(target_pointer_width = "64", inline)]
    pub(crate) const fn content_between(&self, start: u32, at: u32) -> u32 {
        if at <= start {
            return 0;
        }
        let tags = (self.page_of(at) - self.page_of(start)) >> self.page.trailing_zeros();
        at - start - tags * self.unit
    }

    /// Where the key of a record stands.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn key_at(&self, found: RecordRef) -> u32 {
        self.content_at(found.address, self.header())
    }

    /// Where the value of a record stands.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn value_at(&self, found: RecordRef) -> u32 {
        self.content_at(found.address, self.header() + found.header.key_len())
    }

    /// Where the bytes that a record's check covers end.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    #[cfg_attr(target_pointer_width = "64", inline)]
    pub(crate) const fn body_end(&self, found: RecordRef) -> u32 {
        self.end(found) - self.trailer()
    }

    /// Where the byte with this number stands of those that a record's check covers, which are
    /// followed by its trailer. The cells of a tally are not covered.
    pub(crate) const fn covered_at(&self, found: RecordRef, number: u32) -> u32 {
        #[cfg(feature = "counters")]
        if matches!(found.header.kind(), Kind::Tally) {
            let cells = self.cells(found);
            let before = self.content_between(found.address, cells.from);
            if number >= before {
                // The cells may end where a page does, and then its tag follows.
                return self.content_at(self.content_at(cells.to, 0), number - before);
            }
        }
        self.content_at(found.address, number)
    }

    /// [`record_bytes`](Self::record_bytes) of a record with this header.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn size(&self, header: Header) -> u32 {
        self.record_bytes(header.key_len() + header.value_len())
    }

    /// Whether these records fit into a sector in any order, with a seal after them. `bytes` is the
    /// sum of their [`record_bytes`](Self::record_bytes).
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn fits(&self, Live { bytes, count }: Live) -> bool {
        let boundaries =
            (self.sector_bytes - 1 - self.first_record()) >> self.page.trailing_zeros();
        let room = self.records_end() - self.first_record() - boundaries * self.unit;
        // A page boundary costs at most the larger of two things: the room before it in which a
        // header does not fit, or the least share of a record after it. One unit of either is part
        // of the record itself.
        let most = if count < boundaries { count + 1 } else { boundaries };
        bytes + self.size(Header::SEAL) + most * (self.least_share() - self.unit) <= room
    }

    /// Whether a batch of `count` puts of this size fits into a sector.
    pub(crate) fn batch_fits(&self, count: usize, key_len: usize, value_len: usize) -> bool {
        if value_len > self.max_value() as usize {
            return false;
        }
        let content = (key_len + value_len) as u32;
        let count = u32::try_from(count).unwrap_or(u32::MAX);
        let bytes = self.record_bytes(content).checked_mul(count);
        bytes.is_some_and(|bytes| bytes <= self.sector_bytes && self.fits(Live { bytes, count }))
    }

    /// Whether a store can have this head and `older` more sectors in its log. Some numbers must be
    /// left for the sectors that will follow.
    pub(crate) const fn is_possible(
        &self,
        Generation { epoch, sequence }: Generation,
        older: u32,
    ) -> bool {
        older + 2 <= self.sectors
            && older <= sequence
            && epoch < u32::MAX
            && sequence <= u32::MAX - 2 * self.sectors
    }

    /// Whether another sector, or a factory reset, may follow this head.
    pub(crate) const fn may_follow(&self, Generation { epoch, sequence }: Generation) -> bool {
        epoch < u32::MAX - 1 && sequence < u32::MAX - 2 * self.sectors
    }

    /// The sector that a sequence number lives in.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn sector_of_sequence(&self, sequence: u32) -> u32 {
        if cfg!(target_pointer_width = "64") {
            return sequence % self.sectors;
        }
        // The same without a division: small processors have none, and the compiler cannot know
        // that it never panics.
        let (mut sector, mut step) = (sequence, self.sectors);
        while step <= sector >> 1 {
            step <<= 1;
        }
        while step >= self.sectors {
            if step <= sector {
                sector -= step;
            }
            step >>= 1;
        }
        sector
    }

    /// The sequence number of the sector that an address lies in, if it lies in the log that has this
    /// head.
    pub(crate) const fn sequence_at(&self, head: u32, address: u32) -> u32 {
        let back = self.sector_of_sequence(head) + self.sectors - self.sector_of(address);
        head.wrapping_sub(self.sector_of_sequence(back))
    }

    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn sector_of(&self, address: u32) -> u32 {
        address >> self.sector_bytes.trailing_zeros()
    }

    pub(crate) const fn offset_of(&self, address: u32) -> u32 {
        address & (self.sector_bytes - 1)
    }

    /// The cells of a record; none if it is not a tally.
    #[cfg(feature = "counters")]
    #[cfg_attr(target_pointer_width = "64", inline)]
    pub(crate) const fn cells(&self, RecordRef { address, header }: RecordRef) -> Cells {
        if !matches!(header.kind(), Kind::Tally) {
            return Cells::NONE;
        }
        let value = self.header() + header.key_len();
        Cells {
            from: self.content_at(address, self.round_up(value + TALLY)),
            to: self.advance(address, value + header.value_len()),
        }
    }

    /// The length of a tally's value. Its cells take 128 units, or a sixteenth of the sector if
    /// that is less.
    #[cfg(feature = "counters")]
    pub(crate) const fn tally_len(&self, key_len: u32) -> u32 {
        let value = self.header() + key_len;
        let most = self.sector_bytes / 16;
        let cells = if 128 * self.unit < most { 128 * self.unit } else { most };
        self.round_up(value + TALLY) - value + cells
    }
}

/// Number and size of some live records.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Live {
    pub(crate) bytes: u32,
    pub(crate) count: u32,
}

impl Live {
    pub(crate) const NONE: Self = Self { bytes: 0, count: 0 };

    pub(crate) const fn plus(self, bytes: u32) -> Self {
        Self { bytes: self.bytes + bytes, count: self.count + 1 }
    }

    pub(crate) const fn minus(self, bytes: u32) -> Self {
        Self { bytes: self.bytes.saturating_sub(bytes), count: self.count.saturating_sub(1) }
    }

    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn note(&mut self, bytes: u32, lives: bool) {
        *self = if lives { self.plus(bytes) } else { self.minus(bytes) };
    }

    pub(crate) const fn and(self, other: Self) -> Self {
        Self { bytes: self.bytes + other.bytes, count: self.count + other.count }
    }
}

#[cfg(test)]
mod tests {
    //! Compares the arithmetic with plain division, and with records that are laid out one by one.

    use super::*;

    fn geometry(unit: u32, page: u32) -> Geometry {
        Geometry::new(0, 4096, 4, page, unit)
    }

    /// Common practice, no source: pages of 256 bytes, sectors of 4096 bytes.
    #[test]
    fn page_and_sector_arithmetic() {
        let g = geometry(1, 256);
        let address = 20 * 256 + 100;
        assert_eq!((g.sector_of(address), g.offset_of(address)), (1, 1124));
        assert_eq!(2 * 256 + 44, 556);
        assert_eq!(g.page_of(556), 512);
        let address = 15 * 256 + 250;
        assert_eq!((g.sector_of(address), g.offset_of(address)), (0, 4090));
        assert_eq!(g.sector_bytes - g.offset_of(address), 6);
        assert_eq!(g.sector_of(address + 6), 1);
    }

    #[test]
    fn sectors_are_used_in_rotation() {
        for sectors in (2..70).chain([1023, 4095, 4096]) {
            let g = Geometry::new(0, 4096, sectors, 256, 1);
            let ends = [0, 1 << 16, u32::MAX / 2, u32::MAX - 9000].map(|from| from..=from + 8999);
            for sequence in ends.into_iter().flatten() {
                assert_eq!(g.sector_of_sequence(sequence), sequence % sectors);
            }
        }
    }

    #[test]
    fn headers_stay_in_a_page_and_records_have_a_least_share_of_their_last_page() {
        for (unit, page) in [(1, 64), (1, 256), (4, 64), (8, 64), (16, 128), (32, 256)] {
            let g = geometry(unit, page);
            let mut start = 0;
            while start < 2 * page {
                assert!(g.place(start) % page >= unit);
                assert_eq!(g.page_of(g.place(start)), g.page_of(g.place(start) + g.header() - 1));
                let placed = g.place(start);
                for value in 0..3 * page {
                    let end = g.record_end(placed, 5 + value);
                    assert_eq!(end % unit, 0);
                    // As a carried record, which stands after other bytes of a settle record.
                    assert_eq!(g.record_end(g.advance(placed, 8), 5 + value) % unit, 0);
                    let pages = (g.page_of(end - 1) - g.page_of(placed)) / page;
                    assert!(end >= placed + 15 + value + pages * unit);
                    // The trailer lies in one page.
                    assert_eq!(g.page_of(end - 1), g.page_of(end - g.trailer()));
                    if pages > 0 {
                        let share = end - g.page_of(end - 1) - unit;
                        assert!(
                            share >= g.header() + g.trailer(),
                            "{unit} {page} {placed} {value}"
                        );
                    }
                }
                let rest = RecordRef { address: placed, header: g.rest_header(placed) };
                assert_eq!(g.page_of(g.end(rest) - 1), g.page_of(g.end(rest)));
                start += unit;
            }
        }
    }

    #[test]
    fn what_fits_by_the_bound_fits_in_fact() {
        for (unit, page) in [(1, 64), (1, 256), (4, 64), (8, 64), (32, 256)] {
            let g = geometry(unit, page);
            for seed in 0..200_u32 {
                let (mut bytes, mut count, mut at) = (0, 0, g.first_record());
                let mut x = seed.wrapping_mul(2_654_435_761).wrapping_add(1);
                loop {
                    x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    let value = (x >> 16) % (8 + seed * 3);
                    if !g.fits(Live { bytes, count }.plus(g.record_bytes(6 + value))) {
                        break;
                    }
                    bytes += g.record_bytes(6 + value);
                    count += 1;
                    at = g.record_end(g.place(at), 6 + value);
                    assert!(g.end_after(at, Header::SEAL) <= g.records_end());
                }
                assert!(count > 0);
            }
        }
    }
}
