//! Access to the flash: addresses from the start of the store's range, any length and alignment
//! for reads, whole units for programs.

use crate::record::Found;
use embedded_storage::nor_flash::NorFlash;

use crate::error::Fault;
use crate::layout::Geometry;
use crate::record::{Check, Header, Life, Trailer};
use crate::record::{MAX_HEADER, MAX_KEY};

/// Room for a header and the longest key.
pub(crate) type KeyBytes = [u8; MAX_HEADER as usize + MAX_KEY];

/// How often a failing read is tried before it counts as damage: a bus may stumble once.
const READ_TRIES: u32 = 3;

#[derive(Debug)]
pub(crate) struct Medium<F: NorFlash> {
    pub(crate) flash: F,
    pub(crate) geometry: Geometry,
    /// What failed first. From then on nothing is read, programmed or erased, so that a call need not
    /// look after each step; it must before it reports anything.
    pub(crate) fault: Option<Fault<F::Error>>,
    /// A unit could not be read.
    #[cfg(feature = "counters")]
    pub(crate) unread: bool,
    /// Ticks of an earlier power-up are in the flash, of which one may have been interrupted.
    #[cfg(feature = "counters")]
    pub(crate) mounting: bool,
}

impl<F: NorFlash> Medium<F> {
    pub(crate) const fn new(flash: F, geometry: Geometry) -> Self {
        Self {
            flash,
            geometry,
            fault: None,
            #[cfg(feature = "counters")]
            unread: false,
            #[cfg(feature = "counters")]
            mounting: false,
        }
    }
}

/// Gets a record's bytes in order and tells whether they pass the record's checks.
pub(crate) struct Checker {
    check: Check,
    /// Address where the bytes end that the check covers.
    body_end: u32,
    /// Bytes of the trailer.
    len: u32,
    stored: Trailer,
}

impl Checker {
    pub(crate) fn new(g: &Geometry, life: Life, found: Found) -> Self {
        #[cfg_attr(not(feature = "counters"), expect(unused_mut, reason = "nothing to leave out"))]
        let mut check = Check::new(life, g.offset_of(found.address));
        #[cfg(feature = "counters")]
        check.leave_out(g.cells(found), found.address);
        Self { check, body_end: g.body_end(found), len: g.trailer(), stored: 0 }
    }

    /// The record's bytes from `address` on; none of them twice.
    pub(crate) fn feed(&mut self, address: u32, bytes: &[u8]) {
        let body = self.body_end.saturating_sub(address) as usize;
        let (covered, rest) = bytes.split_at(body.min(bytes.len()));
        self.check.update(covered);
        for byte in rest {
            self.stored = self.stored >> 8 | u64::from(*byte) << 56;
        }
    }

    /// Whether the record has the trailer it should have.
    #[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image.
    pub(crate) fn passes(&self) -> bool {
        let mut stored = self.stored;
        // A loop: small parts shift a long number by a constant only.
        for _ in self.len..8 {
            stored >>= 8;
        }
        stored == self.check.trailer(self.len)
    }
}

impl<F: NorFlash> Medium<F> {
    const READ: usize = F::READ_SIZE;

    /// `false`: nothing can be read there. That is damage, unless the part reads nowhere.
    #[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image.
    pub(crate) fn read(&mut self, at: u32, out: &mut [u8]) -> bool {
        if self.fault.is_some() {
            return false;
        }
        let mut left = READ_TRIES;
        loop {
            let Err(error) = self.read_once(at, out) else { return true };
            left -= 1;
            if left == 0 {
                if !self.answers() {
                    self.fault = Some(Fault::Flash(error));
                }
                return false;
            }
        }
    }

    /// Whether the start of any sector can be read.
    fn answers(&mut self) -> bool {
        let Geometry { sectors, sector_bytes, .. } = self.geometry;
        (0..sectors).any(|sector| self.read_once(sector * sector_bytes, &mut [0; 8]).is_ok())
    }

    /// Reads what can be read. A unit that cannot reads as if its first half were zeros and the second
    /// ones: no record passes its checks with that unless it is what was written there, and of a tally
    /// it is the tick that was interrupted.
    #[inline(always)] // Its stack would add to that of most calls.
    pub(crate) fn read_readable(&mut self, at: u32, out: &mut [u8]) -> bool {
        self.read(at, out) || self.read_units(at, out)
    }

    /// The same, unit by unit.
    #[inline(never)] // Seldom needed, so its stack should not be either.
    fn read_units(&mut self, at: u32, out: &mut [u8]) -> bool {
        let unit = self.geometry.unit;
        let (mut at, mut rest) = (at, out);
        while !rest.is_empty() {
            // What a settle record carries does not start on a unit.
            let place = at & (unit - 1);
            let (piece, later) = rest.split_at_mut(rest.len().min((unit - place) as usize));
            if !self.read(at, piece) {
                #[cfg(feature = "counters")]
                {
                    self.unread = true;
                }
                let second = if unit == 1 { 0xF0 } else { 0xFF };
                for (place, byte) in (place..).zip(&mut *piece) {
                    *byte = if place < unit / 2 { 0 } else { second };
                }
            }
            at += piece.len() as u32;
            rest = later;
        }
        false
    }

    fn read_once(&mut self, at: u32, out: &mut [u8]) -> Result<(), F::Error> {
        let read = Self::READ as u32;
        let at = self.geometry.base + at;
        if read <= 1 {
            return self.flash.read(at, out);
        }
        let mut part = [0; 8];
        let part = part.get_mut(..Self::READ).unwrap_or(&mut []);
        // The first bytes, up to a multiple of the read unit.
        let before = (at % read) as usize;
        let mut at = at - at % read;
        let mut rest = out;
        if before != 0 && !rest.is_empty() {
            self.flash.read(at, part)?;
            let n = (Self::READ - before).min(rest.len());
            let (head, tail) = core::mem::take(&mut rest).split_at_mut(n);
            copy(head, part.get(before..).unwrap_or(&[]));
            rest = tail;
            at += read;
        }
        let whole = rest.len() - rest.len() % Self::READ;
        let (middle, tail) = rest.split_at_mut(whole);
        if !middle.is_empty() {
            self.flash.read(at, middle)?;
        }
        if !tail.is_empty() {
            self.flash.read(at + whole as u32, part)?;
            copy(tail, part);
        }
        Ok(())
    }

    /// Programs whole units.
    #[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image.
    pub(crate) fn program(&mut self, at: u32, bytes: &[u8]) {
        if self.fault.is_none() {
            let result = self.flash.write(self.geometry.base + at, bytes);
            self.fault = result.err().map(Fault::Flash);
        }
    }

    /// Programs zeros; allowed over anything.
    #[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image, as what follows.
    pub(crate) fn zero(&mut self, at: u32, len: u32) {
        const ZEROS: [u8; 96] = [0; 96];
        self.program(at, ZEROS.get(..len as usize).unwrap_or(&ZEROS));
    }

    pub(crate) fn erase(&mut self, sector: u32) {
        if self.fault.is_none() {
            let from = self.geometry.base + sector * self.geometry.sector_bytes;
            let result = self.flash.erase(from, from + self.geometry.sector_bytes);
            self.fault = result.err().map(Fault::Flash);
        }
    }

    /// Whether the range reads as `byte` throughout. A range that cannot be read does not.
    pub(crate) fn is_all(&mut self, byte: u8, from: u32, to: u32) -> bool {
        let mut buffer = [0; 64];
        let mut at = from;
        while at < to {
            let n = ((to - at) as usize).min(buffer.len());
            let part = buffer.get_mut(..n).unwrap_or(&mut []);
            if !self.read(at, part) || part.iter().any(|b| *b != byte) {
                return false;
            }
            at += n as u32;
        }
        true
    }

    /// Whether the range reads blank.
    pub(crate) fn is_blank(&mut self, from: u32, to: u32) -> bool {
        self.is_all(0xFF, from, to)
    }

    /// Reads the bytes at `address`, as many as there are up to `limit`, and decodes the header
    /// they begin with. `None`: no header, or one that claims more than `limit` (an address)
    /// allows, or header or key cannot be read.
    pub(crate) fn look(&mut self, address: u32, limit: u32, bytes: &mut [u8]) -> Option<Found> {
        let room = bytes.len().min(limit.saturating_sub(address) as usize);
        let bytes = bytes.get_mut(..room)?;
        let readable = self.read_readable(address, bytes);
        let header = Header::decode(bytes, self.geometry.header())?;
        let found = Found { address, header };
        if !readable {
            // Header and key must be; what stands behind the record may be what cannot be read.
            let key_end = (self.geometry.header() + header.key_len()) as usize;
            if !self.read(address, bytes.get_mut(..key_end.min(room))?) {
                return None;
            }
        }
        (self.geometry.end(found) <= limit).then_some(found)
    }

    /// The header at `address` alone.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn header(&mut self, address: u32, limit: u32) -> Option<Found> {
        let mut bytes = [0; MAX_HEADER as usize];
        let len = self.geometry.header() as usize;
        self.look(address, limit, bytes.get_mut(..len)?)
    }

    /// The header at `address`, and the key if the record has one: behind it in `bytes`, as much as
    /// there is room for. One read for keys up to `expected` bytes, else two.
    pub(crate) fn look_at_key(
        &mut self,
        address: u32,
        limit: u32,
        expected: u32,
        bytes: &mut [u8],
    ) -> Option<Found> {
        let seen = self.geometry.header() + expected;
        let seen = (seen as usize).min(bytes.len()).min(limit.saturating_sub(address) as usize);
        let found = self.look(address, limit, bytes.get_mut(..seen)?)?;
        let end = (self.geometry.header() + found.header.key_len()) as usize;
        let end = end.min(bytes.len());
        if seen < end {
            let rest = bytes.get_mut(seen..end)?;
            return self.read(address + seen as u32, rest).then_some(found);
        }
        Some(found)
    }

    /// Reads a record once and hands out its bytes, from the header to the trailer, in pieces
    /// with their addresses. Returns whether it passes its checks.
    pub(crate) fn scan(&mut self, found: Found, life: Life, each: &mut Pieces<'_, Self>) -> bool {
        let mut checker = Checker::new(&self.geometry, life, found);
        let mut buffer = [0; 64];
        let (mut at, end) = (found.address, self.geometry.end(found));
        while at < end {
            let n = ((end - at) as usize).min(buffer.len());
            let piece = buffer.get_mut(..n).unwrap_or(&mut []);
            self.read_readable(at, piece);
            each(self, at, piece);
            checker.feed(at, piece);
            at += n as u32;
        }
        checker.passes()
    }

    /// Whether a record passes its checks now, and the first bytes behind its header: what was
    /// checked is what is handed out, for bits left by an interrupted program may read differently
    /// the next time.
    pub(crate) fn whole(&mut self, found: Found, life: Life, first: &mut [u8]) -> bool {
        let header = self.geometry.header() as usize;
        self.scan(found, life, &mut |_, at, bytes| {
            if at == found.address {
                copy(first, bytes.get(header..).unwrap_or(&[]));
            }
        })
    }
}

/// What is done with each piece of a record.
pub(crate) type Pieces<'a, M> = dyn FnMut(&mut M, u32, &[u8]) + 'a;

/// Copies as many bytes as both have.
#[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image.
pub(crate) fn copy(to: &mut [u8], from: &[u8]) {
    let n = to.len().min(from.len());
    if let (Some(to), Some(from)) = (to.get_mut(..n), from.get(..n)) {
        to.copy_from_slice(from);
    }
}
