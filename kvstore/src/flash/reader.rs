//! Reads of records: header, content, and whether the record passes its checks.

use embedded_storage::nor_flash::NorFlash;

use super::medium::{Medium, TRIES};
use crate::format::bytes::copy;
use crate::format::checker::Checker;
use crate::format::generation::Generation;
use crate::format::record::{Header, Kind, MAX_KEY, RecordRef};

/// Room for the longest key.
pub(crate) type KeyBytes = [u8; MAX_KEY];

/// Most bytes of one read.
const PIECE: usize = 64;

/// Called with a record and each piece of it in order, with the piece's address. No piece includes
/// a page's tag. A record that is read again starts again from its address.
pub(crate) type Pieces<'a, M> = dyn FnMut(&mut M, RecordRef, u32, &[u8]) + 'a;

/// A record whose header was read.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Examined {
    pub(crate) found: RecordRef,
    /// Whether it passes its checks, perhaps with one bit corrected.
    pub(crate) whole: bool,
}

/// A place to read a record at.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Place {
    pub(crate) address: u32,
    /// Where the record must end at the latest.
    pub(crate) limit: u32,
    /// The generation that its check is seeded with.
    pub(crate) generation: Generation,
    /// Whether the record is known to have been finished. One that may be torn may lack one bit: it
    /// is completed, and whoever reports it must copy it first.
    pub(crate) proven: bool,
}

impl<F: NorFlash> Medium<F> {
    /// Reads the header of the record at `address`. `None` if there is none, or if the record would
    /// end after `limit`.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn header(&mut self, address: u32, limit: u32) -> Option<RecordRef> {
        let mut bytes = [0; 8];
        let len = self.geometry.header();
        let bytes = bytes.get_mut(..len as usize)?;
        self.read(address, bytes);
        let found = RecordRef { address, header: Header::decode(bytes, len)? };
        (self.geometry.end(found) <= limit).then_some(found)
    }

    /// Reads a record once, from header to trailer, and passes each piece of it to `each`. No byte
    /// is read twice. Returns what its check says, or `None` if no header stands there.
    // Outlined, since several callers share it.
    #[inline(never)]
    pub(crate) fn scan(&mut self, place: &Place, each: &mut Pieces<'_, Self>) -> Option<Examined> {
        let mut buffer = [0; PIECE];
        let mut at = place.address;
        let first = self.piece(&mut buffer, at, place.limit);
        let header = Header::decode(first, self.geometry.header())?;
        let found = RecordRef { address: at, header };
        let end = self.geometry.end(found);
        if end > place.limit {
            return None;
        }
        let mut checker = Checker::new(&self.geometry, place.generation, found);
        let mut len = first.len();
        loop {
            let piece = buffer.get(..len.min((end - at) as usize)).unwrap_or(&[]);
            each(self, found, at, piece);
            checker.feed(at, piece);
            at += piece.len() as u32;
            if at >= end {
                return Some(Examined { found, whole: checker.passes() });
            }
            if at == self.geometry.page_of(at) {
                at += self.geometry.unit;
            }
            len = self.piece(&mut buffer, at, end).len();
        }
    }

    /// Reads bytes from `at` up to the limit or the end of the page, but no more than there is room
    /// for.
    fn piece<'b>(&mut self, buffer: &'b mut [u8; PIECE], at: u32, limit: u32) -> &'b [u8] {
        let end = limit.min(self.geometry.next_page(at));
        let piece = buffer.get_mut(..(end.saturating_sub(at) as usize).min(PIECE));
        let piece = piece.unwrap_or(&mut []);
        self.read_readable(at, piece);
        piece
    }

    /// Reads a record until a reading passes, a few times at most. If none does, looks for the one
    /// bit whose change lets it pass, and corrects that bit in all further readings.
    #[inline(never)]
    pub(crate) fn examine(
        &mut self,
        place: &Place,
        each: &mut Pieces<'_, Self>,
    ) -> Option<Examined> {
        let mut seen = None;
        for _ in 0..TRIES {
            if let Some(examined) = self.scan(place, each) {
                seen = Some(examined);
                if examined.whole {
                    return seen;
                }
            } else if self.is_blank_here(place.address) {
                return None;
            }
        }
        if self.correct(place)
            && let Some(examined) = self.scan(place, each)
            && examined.whole
        {
            return Some(examined);
        }
        seen
    }

    /// Whether a record of the log that passes its checks stands at a place. A settle record says
    /// nothing about what stands before it, since a later mount wrote it.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn has_record(&mut self, place: &Place) -> bool {
        let examined = self.examine(place, &mut |_, _, _, _| {});
        examined.is_some_and(|it| it.whole && it.found.header.kind() != Kind::Settle)
    }

    /// Whether the place of a header reads blank.
    fn is_blank_here(&mut self, address: u32) -> bool {
        let mut bytes = [0; 4];
        self.read(address, &mut bytes) && bytes == [0xFF; 4]
    }

    /// Finds the one bit whose change lets a record pass.
    // Outlined, since it is rarely needed.
    #[inline(never)]
    pub(crate) fn correct(&mut self, place: &Place) -> bool {
        let before = self.fix;
        self.fix = (0, 0);
        if self.correct_content(place) {
            return true;
        }
        // If the header is wrong, nothing else can be looked at.
        let len = self.geometry.header();
        let mut bytes = [0; 8];
        self.read(place.address, &mut bytes);
        for bit in 0..len * 8 {
            let mask = 1 << (bit % 8);
            let mut flipped = bytes;
            if let Some(byte) = flipped.get_mut((bit / 8) as usize) {
                *byte ^= mask;
            }
            if Header::decode(&flipped, len).is_some() {
                self.fix = (place.address + bit / 8, mask);
                if self.passes(place) {
                    return true;
                }
            }
        }
        self.fix = before;
        false
    }

    fn passes(&mut self, place: &Place) -> bool {
        self.scan(place, &mut |_, _, _, _| {}).is_some_and(|it| it.whole)
    }

    fn correct_content(&mut self, place: &Place) -> bool {
        let Some(found) = self.header(place.address, place.limit) else { return false };
        let mut checker = Checker::new(&self.geometry, place.generation, found);
        self.scan(place, &mut |_, _, at, bytes| checker.feed(at, bytes));
        let Some(bit) = checker.suspicion(place.proven) else { return false };
        self.fix = (self.geometry.covered_at(found, bit / 8), 1 << (bit % 8));
        self.passes(place)
    }

    /// Copies those bytes of a piece of a record that belong to its key to their place in `key`.
    pub(crate) fn gather_key(&self, found: RecordRef, at: u32, bytes: &[u8], key: &mut KeyBytes) {
        let key = key.get_mut(..found.header.key_len() as usize).unwrap_or(&mut []);
        self.gather(self.geometry.key_at(found), at, bytes, key);
    }

    /// Copies those bytes of a piece of a record that belong to its value to their place in `value`,
    /// as far as there is room.
    pub(crate) fn gather_value(&self, found: RecordRef, at: u32, bytes: &[u8], value: &mut [u8]) {
        let len = (found.header.value_len() as usize).min(value.len());
        let value = value.get_mut(..len).unwrap_or(&mut []);
        self.gather(self.geometry.value_at(found), at, bytes, value);
    }

    /// Copies those bytes of a piece of a record that stand from the address `start` on to their
    /// place in `out`. Content goes on after the tags of pages.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn gather(&self, start: u32, at: u32, bytes: &[u8], out: &mut [u8]) {
        let (number, bytes) = self.part(start, at, bytes);
        copy(out.get_mut(number..).unwrap_or(&mut []), bytes);
    }

    /// Whether those bytes of a piece of a record that stand from the address `start` on are as
    /// `wanted` has them.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn agrees(&self, start: u32, at: u32, bytes: &[u8], wanted: &[u8]) -> bool {
        let (number, bytes) = self.part(start, at, bytes);
        wanted.get(number..).unwrap_or(&[]).iter().zip(bytes).all(|(a, b)| a == b)
    }

    /// The bytes of a piece from the address `start` on, and the number of the first of them,
    /// counted from there.
    pub(crate) fn part<'b>(&self, start: u32, at: u32, bytes: &'b [u8]) -> (usize, &'b [u8]) {
        let skip = start.saturating_sub(at) as usize;
        (self.geometry.content_between(start, at) as usize, bytes.get(skip..).unwrap_or(&[]))
    }
}
