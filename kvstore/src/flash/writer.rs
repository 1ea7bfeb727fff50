//! Assembles a record and programs it.
//!
//! A record takes one program call for each page that it touches, and no more than 256 bytes go into
//! one call. So no buffer of a sector's size is needed.

use embedded_storage::nor_flash::NorFlash;

use super::medium::Medium;
use crate::format::bytes::copy;
use crate::format::check::Check;
use crate::format::generation::Generation;
#[cfg(feature = "counters")]
use crate::format::record::Kind;
use crate::format::record::{Header, RecordRef};

use super::reader::{Examined, Place};

/// Most bytes of one program call.
const CHUNK: usize = 256;

/// What became of a copy.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Copied {
    /// The record that was copied did not pass its checks when it was read for that.
    Damaged,
    Whole,
}

/// A record that is being written.
pub(crate) struct Writer {
    /// Where the buffer will be programmed: at first, the record's address.
    at: u32,
    fill: usize,
    outer: Check,
    /// Check of the carried record, while that is being written.
    inner: Option<Check>,
    buffer: [u8; CHUNK],
}

impl Writer {
    /// A writer without a record.
    // Inlined, so that it is made in place: its buffer is most of a call's stack.
    #[inline(always)]
    pub(crate) fn new() -> Self {
        let (outer, inner) = (Check::unseeded(), None);
        Self { at: 0, fill: 0, outer, inner, buffer: [0; CHUNK] }
    }

    /// Starts a record, which must stand at a proper place and have room up to its end.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn start<F: NorFlash>(
        &mut self,
        medium: &mut Medium<F>,
        generation: Generation,
        record: RecordRef,
    ) {
        let g = &medium.geometry;
        self.at = record.address;
        self.fill = 0;
        self.outer = Check::unseeded();
        self.outer.seed(generation, g.offset_of(record.address));
        self.push_header(medium, record.header);
    }

    /// Whether nothing of a record at this address was programmed yet.
    pub(crate) const fn is_before(&self, address: u32) -> bool {
        self.at == address
    }

    #[cfg_attr(target_pointer_width = "32", inline(never))]
    fn push_header<F: NorFlash>(&mut self, medium: &mut Medium<F>, header: Header) {
        let len = medium.geometry.header() as usize;
        self.push(medium, header.encode().get(..len).unwrap_or(&[]));
    }

    pub(crate) fn push<F: NorFlash>(&mut self, medium: &mut Medium<F>, mut bytes: &[u8]) {
        self.outer.update(bytes);
        if let Some(inner) = &mut self.inner {
            inner.update(bytes);
        }
        while !bytes.is_empty() {
            // The tag of a page is left out.
            let page = medium.geometry.page_of(self.position());
            if self.position() == page {
                self.flush(medium);
                self.at += medium.geometry.unit;
            }
            let in_page = (page + medium.geometry.page - self.position()) as usize;
            let room = self.buffer.get_mut(self.fill..).unwrap_or(&mut []);
            let (now, later) = bytes.split_at(room.len().min(in_page).min(bytes.len()));
            copy(room, now);
            self.fill += now.len();
            bytes = later;
            if self.fill == CHUNK {
                self.flush(medium);
            }
        }
    }

    fn flush<F: NorFlash>(&mut self, medium: &mut Medium<F>) {
        if self.fill > 0 {
            medium.program(self.at, self.buffer.get(..self.fill).unwrap_or(&[]));
        }
        self.at += self.fill as u32;
        self.fill = 0;
    }

    /// Where the next byte will stand.
    const fn position(&self) -> u32 {
        self.at + self.fill as u32
    }

    /// Pads up to an address.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    fn pad<F: NorFlash>(&mut self, medium: &mut Medium<F>, to: u32) {
        while self.position() < to {
            self.push(medium, &[0xFF]);
        }
    }

    /// Leaves the cells of a tally blank. They are not programmed at all, since on some parts even
    /// programming all ones uses up a unit. The check does not cover them.
    #[cfg(feature = "counters")]
    pub(crate) fn leave_blank<F: NorFlash>(&mut self, medium: &mut Medium<F>, record: RecordRef) {
        let cells = medium.geometry.cells(record);
        let tag =
            if medium.geometry.is_first_in_page(cells.from) { medium.geometry.unit } else { 0 };
        self.pad(medium, cells.from - tag);
        self.flush(medium);
        self.at = cells.to;
    }

    /// [`push_from`](Self::push_from) for a tally.
    #[cfg(feature = "counters")]
    fn push_count<F: NorFlash>(&mut self, medium: &mut Medium<F>, source: &Place) -> Copied {
        let mut key = [0; _];
        let Some((found, tally)) = medium.tally(source, &mut key) else { return Copied::Damaged };
        self.push(medium, key.get(..found.header.key_len() as usize).unwrap_or(&[]));
        self.push(medium, &tally.count().to_le_bytes());
        Copied::Whole
    }

    /// Pads a record that ends at `end`, and adds its trailer.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    fn close<F: NorFlash>(&mut self, medium: &mut Medium<F>, end: u32) {
        let len = medium.geometry.trailer();
        self.pad(medium, end - len);
        let check = self.inner.take().unwrap_or_else(|| self.outer.clone());
        let trailer = check.trailer(len).to_le_bytes();
        self.push(medium, trailer.get(..len as usize).unwrap_or(&[]));
    }

    /// Adds key and value of another record. The value of a tally is its count. What is copied is
    /// what was checked, in one reading.
    pub(crate) fn push_from<F: NorFlash>(
        &mut self,
        medium: &mut Medium<F>,
        source: &Place,
        header: Header,
    ) -> Copied {
        #[cfg(feature = "counters")]
        if header.kind() == Kind::Tally {
            return self.push_count(medium, source);
        }
        let found = RecordRef { address: source.address, header };
        let from = medium.geometry.key_at(found);
        let len = header.key_len() + header.value_len();
        let scanned = medium.scan(source, &mut |medium, _, at, bytes| {
            let (number, bytes) = medium.part(from, at, bytes);
            let left = (len as usize).saturating_sub(number);
            self.push(medium, bytes.get(..left).unwrap_or(bytes));
        });
        match scanned {
            Some(Examined { found: again, whole: true }) if again == found => Copied::Whole,
            _ => Copied::Damaged,
        }
    }

    /// Adds a copy of a whole record, header and trailer included, to this one. If the source is
    /// damaged, this record must not be finished.
    pub(crate) fn carry<F: NorFlash>(
        &mut self,
        medium: &mut Medium<F>,
        source: &Place,
        header: Header,
    ) -> Copied {
        let start = self.position();
        let plain = header.plain();
        let end = medium.geometry.end(RecordRef { address: start, header: plain });
        self.inner = Some(Check::new(source.generation, medium.geometry.offset_of(start)));
        self.push_header(medium, plain);
        let copied = self.push_from(medium, source, header);
        if copied == Copied::Whole {
            self.close(medium, end);
        }
        copied
    }

    /// Pads a record that ends at `end`, adds its trailer and programs the rest.
    pub(crate) fn finish<F: NorFlash>(&mut self, medium: &mut Medium<F>, end: u32) {
        self.close(medium, end);
        self.flush(medium);
    }
}
