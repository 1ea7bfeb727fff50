//! Assembles a record and programs it.
//!
//! A record of up to 256 bytes takes one program call, a longer one takes a call per 256 bytes. So
//! no buffer of a sector's size is needed.

use embedded_storage::nor_flash::NorFlash;

use super::medium::Medium;
use crate::format::bytes::copy;
#[cfg(feature = "counters")]
use crate::format::cells::Cells;
use crate::format::check::Check;
use crate::format::generation::Generation;
use crate::format::opening::{OPENING, OPENING_TRAILER, Opening};
#[cfg(feature = "counters")]
use crate::format::record::Kind;
use crate::format::record::{Header, RecordRef};

const CHUNK: usize = 256;

/// What became of a copy.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Copied {
    /// The record that was copied does not pass its checks, so its copy must not pass either.
    Damaged,
    Whole,
}

impl Copied {
    pub(crate) const fn of(passes: bool) -> Self {
        if passes { Self::Whole } else { Self::Damaged }
    }
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
    pub(crate) fn start<F: NorFlash>(
        &mut self,
        medium: &mut Medium<F>,
        generation: Generation,
        record: RecordRef,
    ) {
        let g = &medium.geometry;
        self.at = record.address;
        self.outer.seed(generation, g.offset_of(record.address));
        #[cfg(feature = "counters")]
        self.outer.leave_out(g.cells(record), record.address);
        self.push_header(medium, record.header);
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
        loop {
            let room = self.buffer.get_mut(self.fill..).unwrap_or(&mut []);
            let (now, later) = bytes.split_at(room.len().min(bytes.len()));
            copy(room, now);
            self.fill += now.len();
            bytes = later;
            if self.fill < CHUNK {
                return;
            }
            self.flush(medium);
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
    /// programming all ones uses up a unit.
    #[cfg(feature = "counters")]
    pub(crate) fn leave_blank<F: NorFlash>(&mut self, medium: &mut Medium<F>, cells: &Cells) {
        self.pad(medium, cells.from);
        self.flush(medium);
        while self.at < cells.to {
            self.outer.update(&[0xFF]);
            self.at += 1;
        }
    }

    /// [`push_from`](Self::push_from) for a tally.
    #[cfg(feature = "counters")]
    fn push_count<F: NorFlash>(
        &mut self,
        medium: &mut Medium<F>,
        source: RecordRef,
        generation: Generation,
    ) -> Copied {
        let mut first = [0; _];
        let tally = medium.tally(source, generation, &mut first);
        self.push(medium, medium.geometry.key_in(source, &first));
        self.push(medium, &tally.map_or(0, |tally| tally.count()).to_le_bytes());
        Copied::of(tally.is_some())
    }

    /// Writes the opening of the sector at `address`.
    pub(crate) fn write_opening<F: NorFlash>(
        &mut self,
        medium: &mut Medium<F>,
        address: u32,
        opening: &Opening,
    ) {
        self.at = address;
        let start = medium.geometry.opening_start();
        self.push(medium, &start);
        self.push(medium, &opening.sector_info());
        self.close(medium, address + OPENING, OPENING_TRAILER, Copied::Whole);
        self.pad(medium, address + medium.geometry.mark());
        self.flush(medium);
    }

    /// Pads a record or opening that ends at `end` and adds its trailer of `len` bytes.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    fn close<F: NorFlash>(&mut self, medium: &mut Medium<F>, end: u32, len: u32, content: Copied) {
        self.pad(medium, end - len);
        let check = self.inner.take().unwrap_or_else(|| self.outer.clone());
        // A damaged record gets ones where a whole one has some zeros. If this program is
        // interrupted, the result is not a whole record either.
        let spoilt = if content == Copied::Damaged { u64::from(u32::MAX) } else { 0 };
        let trailer = (check.trailer(len) | spoilt).to_le_bytes();
        self.push(medium, trailer.get(..len as usize).unwrap_or(&[]));
    }

    /// Adds key and value of another record. The value of a tally is its count.
    pub(crate) fn push_from<F: NorFlash>(
        &mut self,
        medium: &mut Medium<F>,
        source: RecordRef,
        generation: Generation,
    ) -> Copied {
        #[cfg(feature = "counters")]
        if source.header.kind() == Kind::Tally {
            return self.push_count(medium, source, generation);
        }
        let from = medium.geometry.key_at(source);
        let to = medium.geometry.value_at(source) + source.header.value_len();
        // One reading, so that what is checked is what is copied.
        let passes = medium.scan(source, generation, &mut |medium, at, bytes| {
            let skip = from.saturating_sub(at) as usize;
            let end = (to.saturating_sub(at) as usize).min(bytes.len());
            self.push(medium, bytes.get(skip..end).unwrap_or(&[]));
        });
        Copied::of(passes)
    }

    /// Adds a copy of a whole record, header and trailer included, to this one. If the source is
    /// damaged, this record must not be finished.
    pub(crate) fn carry<F: NorFlash>(
        &mut self,
        medium: &mut Medium<F>,
        source: RecordRef,
        generation: Generation,
    ) -> Copied {
        let start = self.position();
        let header = source.header.plain();
        let end = medium.geometry.end(RecordRef { address: start, header });
        self.inner = Some(Check::new(generation, medium.geometry.offset_of(start)));
        self.push_header(medium, header);
        let copied = self.push_from(medium, source, generation);
        if copied == Copied::Whole {
            self.close(medium, end, medium.geometry.trailer(), copied);
        }
        copied
    }

    /// Pads a record that ends at `end`, adds its trailer and programs the rest.
    pub(crate) fn finish<F: NorFlash>(
        &mut self,
        medium: &mut Medium<F>,
        end: u32,
        content: Copied,
    ) {
        self.close(medium, end, medium.geometry.trailer(), content);
        self.flush(medium);
    }
}
