//! Access to the flash: addresses from the start of the store's range, any length and alignment
//! for reads, whole units for programs.

use embedded_storage::nor_flash::NorFlash;

use crate::error::Error;
use crate::layout::{Geometry, MAX_HEADER, MAX_KEY, MAX_TRAILER};
use crate::record::{Check, FACTS, Header, Kind, Life, Opening, SETTLE, Trailer, from_u24};

/// Bytes read at once when a record is looked at: header, key and a short value.
pub(crate) const WINDOW: usize = MAX_HEADER as usize + MAX_KEY + 59;

/// How often a failing read is tried before it counts as damage: a bus may stumble once.
const READ_TRIES: u32 = 3;

#[derive(Debug)]
pub(crate) struct Medium<F> {
    pub(crate) flash: F,
    pub(crate) geometry: Geometry,
}

/// The trailer a record should have, and the one it has.
pub(crate) type Trailers = (Trailer, Trailer);

/// The first bytes of a record.
pub(crate) type First = [u8; 40];

/// A record whose header could be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Found {
    pub(crate) address: u32,
    pub(crate) end: u32,
    pub(crate) header: Header,
}

/// A whole settle record and what it says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Settle {
    pub(crate) found: Found,
    /// Offset where the accepted log ends.
    pub(crate) accepted: u32,
    /// What the sector's opening says.
    pub(crate) facts: Option<Opening>,
    /// The copy it carries.
    pub(crate) cargo: Option<Found>,
    /// If that is a commit: the addresses it names.
    pub(crate) extent: (u32, u32),
}

impl<F: NorFlash> Medium<F> {
    const READ: usize = F::READ_SIZE;

    pub(crate) fn read(&mut self, at: u32, out: &mut [u8]) -> Result<(), Error<F::Error>> {
        let mut tries = 1;
        loop {
            match self.read_once(at, out) {
                Err(_) if tries < READ_TRIES => tries += 1,
                result => return result.map_err(Error::Flash),
            }
        }
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
    pub(crate) fn program(&mut self, at: u32, bytes: &[u8]) -> Result<(), Error<F::Error>> {
        self.flash.write(self.geometry.base + at, bytes).map_err(Error::Flash)
    }

    /// Programs zeros; allowed over anything.
    pub(crate) fn zero(&mut self, at: u32, len: u32) -> Result<(), Error<F::Error>> {
        const ZEROS: [u8; 96] = [0; 96];
        self.program(at, ZEROS.get(..len as usize).unwrap_or(&ZEROS))
    }

    pub(crate) fn erase(&mut self, sector: u32) -> Result<(), Error<F::Error>> {
        let from = self.geometry.base + sector * self.geometry.sector_bytes;
        self.flash.erase(from, from + self.geometry.sector_bytes).map_err(Error::Flash)
    }

    /// Whether the range reads blank. A range that cannot be read is not blank.
    pub(crate) fn is_blank(&mut self, from: u32, to: u32) -> bool {
        let mut buffer = [0; 64];
        let mut at = from;
        while at < to {
            let n = ((to - at) as usize).min(buffer.len());
            let part = buffer.get_mut(..n).unwrap_or(&mut []);
            if self.read(at, part).is_err() || part.iter().any(|b| *b != 0xFF) {
                return false;
            }
            at += n as u32;
        }
        true
    }

    /// Reads the header at `address` and as much behind it as the window takes, up to `look`
    /// bytes. `None`: no header, or one that claims more than `limit` (an address) allows, or a
    /// place that cannot be read.
    pub(crate) fn look(
        &mut self,
        address: u32,
        limit: u32,
        look: u32,
        window: &mut [u8; WINDOW],
    ) -> Option<(Found, usize)> {
        if address + self.geometry.header() > limit {
            return None;
        }
        let len = self.geometry.round_up(look).min(limit - address) as usize;
        let len = len.min(WINDOW);
        self.read(address, window.get_mut(..len)?).ok()?;
        Some((self.found(address, limit, window)?, len))
    }

    fn found(&self, address: u32, limit: u32, bytes: &[u8]) -> Option<Found> {
        let header = Header::decode(bytes, self.geometry.header())?;
        let offset = self.geometry.offset_of(address);
        let end = self.geometry.record_end(offset, header.key_len, header.value_len);
        let end = address - offset + end;
        (end <= limit).then_some(Found { address, end, header })
    }

    /// The header at `address` alone.
    pub(crate) fn header(&mut self, address: u32, limit: u32) -> Option<Found> {
        if address + self.geometry.header() > limit {
            return None;
        }
        let mut bytes = [0; MAX_HEADER as usize];
        let len = self.geometry.header() as usize;
        self.read(address, bytes.get_mut(..len)?).ok()?;
        self.found(address, limit, &bytes)
    }

    /// The header at `address` and the key, if the record has one. One read for keys up to 19
    /// bytes, else two.
    pub(crate) fn look_at_key<'w>(
        &mut self,
        address: u32,
        limit: u32,
        window: &'w mut [u8; WINDOW],
    ) -> Option<(Found, &'w [u8])> {
        let (found, seen) = self.look(address, limit, 24, window)?;
        let key_at = self.geometry.header() as usize;
        let key_end = key_at + found.header.key_len as usize;
        if seen < key_end {
            let rest = window.get_mut(seen..key_end)?;
            self.read(address + seen as u32, rest).ok()?;
        }
        Some((found, window.get(key_at..key_end)?))
    }

    /// Reads a record once and hands out its bytes, from the header to the trailer, in pieces
    /// with their offset in the record. Returns the trailer as it should be, and as it is.
    pub(crate) fn scan(
        &mut self,
        found: &Found,
        life: Life,
        each: &mut dyn FnMut(u32, &[u8]),
    ) -> Result<Trailers, Error<F::Error>> {
        let mut check = Check::new(life, self.geometry.offset_of(found.address));
        let mut buffer = [0; 64];
        let mut stored = [0; MAX_TRAILER as usize];
        let mut at = found.address;
        while at < found.end {
            let n = ((found.end - at) as usize).min(buffer.len());
            let piece = buffer.get_mut(..n).unwrap_or(&mut []);
            self.read(at, piece)?;
            each(at - found.address, piece);
            let body = (self.geometry.body_end(found).saturating_sub(at) as usize).min(n);
            let (covered, rest) = piece.split_at(body);
            check.update(covered);
            let skip = (at + body as u32).saturating_sub(self.geometry.body_end(found)) as usize;
            copy(stored.get_mut(skip..).unwrap_or(&mut []), rest);
            at += n as u32;
        }
        Ok((check.trailer(self.geometry.trailer()), stored))
    }

    /// The first bytes of a record that passes its checks now. What was checked is what is handed
    /// out: bits left by an interrupted program may read differently the next time.
    pub(crate) fn whole(&mut self, found: &Found, life: Life) -> Option<First> {
        let mut first = [0; 40];
        let mut each = |at: u32, bytes: &[u8]| {
            if at == 0 {
                copy(&mut first, bytes);
            }
        };
        match self.scan(found, life, &mut each) {
            Ok((want, have)) if want == have => Some(first),
            _ => None,
        }
    }

    /// The next settle record behind `offset`, where a walk found no record: mounts place them at
    /// page starts, behind a trace. Offsets in the sector at `base`.
    pub(crate) fn next_settle(
        &mut self,
        base: u32,
        offset: u32,
        limit: u32,
        life: Life,
    ) -> Option<Settle> {
        let g = self.geometry;
        let mut page = g.next_page(offset);
        while page + g.passed_area() <= limit {
            let Some(found) = self.settle_header(base + page, base + limit) else {
                page += g.page;
                continue;
            };
            if let Some(first) = self.whole(&found, life) {
                return Some(self.settle_from(found, &first));
            }
            // A value in it may hold the image of a settle record.
            page = g.next_page(found.end - base - 1);
        }
        None
    }

    /// What a settle record says, from its first bytes.
    fn settle_from(&self, found: Found, first: &First) -> Settle {
        let value = first.get(self.geometry.header() as usize..).unwrap_or(&[]);
        let (accepted, rest) = value.split_first_chunk().unwrap_or((&[0; 3], &[]));
        let facts = rest.first_chunk().map(Opening::from_facts);
        let carried = rest.get(FACTS as usize..).unwrap_or(&[]);
        let header = if found.header.value_len > SETTLE {
            Header::decode(carried, self.geometry.header())
        } else {
            None
        };
        let cargo = header.map(|header| self.cargo(&found, header)).filter(|c| c.end <= found.end);
        let value = carried.get(self.geometry.header() as usize..).unwrap_or(&[]);
        let extent = self.extent_from(found.address, value);
        Settle { found, accepted: from_u24(*accepted), facts, cargo, extent }
    }

    /// A settle record that passes its checks with the life its own facts tell.
    pub(crate) fn self_evident_settle(&mut self, found: Found) -> Option<Opening> {
        let mut facts = [0; FACTS as usize];
        self.read(self.geometry.value_at(&found) + 3, &mut facts).ok()?;
        let life = Opening::from_facts(&facts).life;
        let first = self.whole(&found, life)?;
        self.settle_from(found, &first).facts.filter(|facts| facts.life == life)
    }

    /// The record a settle record carries.
    pub(crate) const fn cargo(&self, settle: &Found, header: Header) -> Found {
        let address = self.geometry.value_at(settle) + SETTLE;
        let offset = self.geometry.offset_of(address);
        let end = self.geometry.record_end(offset, header.key_len, header.value_len);
        Found { address, end: address - offset + end, header }
    }

    /// The addresses a commit's value names, in the sector of `address`.
    pub(crate) fn extent_from(&self, address: u32, value: &[u8]) -> (u32, u32) {
        let &[a, b, c, d, e, f, ..] = value else { return (0, 0) };
        let g = self.geometry;
        let base = address - g.offset_of(address);
        let limit = g.sector_bytes;
        (base + from_u24([a, b, c]).min(limit), base + from_u24([d, e, f]).min(limit))
    }

    /// The header of a settle record behind the trace of the page at `page`.
    pub(crate) fn settle_header(&mut self, page: u32, limit: u32) -> Option<Found> {
        let trace = self.geometry.trace() as usize;
        let mut area = [0; 96];
        let area = area.get_mut(..self.geometry.passed_area() as usize)?;
        self.read(page, area).ok()?;
        let (zeros, header) = area.split_at_checked(trace)?;
        if zeros.iter().any(|b| *b != 0) {
            return None;
        }
        let header = Header::decode(header, self.geometry.header())?;
        let address = page + trace as u32;
        let offset = self.geometry.offset_of(address);
        let end = address - offset + self.geometry.record_end(offset, 0, header.value_len);
        (header.kind == Kind::Settle && end <= limit).then_some(Found { address, end, header })
    }

    /// The addresses between which the records stand that a commit names.
    pub(crate) fn commit_extent(&mut self, commit: &Found) -> Result<(u32, u32), Error<F::Error>> {
        let mut value = [0; 6];
        self.read(self.geometry.value_at(commit), &mut value)?;
        Ok(self.extent_from(commit.address, &value))
    }
}

/// Copies as many bytes as both have.
pub(crate) fn copy(to: &mut [u8], from: &[u8]) {
    for (to, from) in to.iter_mut().zip(from) {
        *to = *from;
    }
}
