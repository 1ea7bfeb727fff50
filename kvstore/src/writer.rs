//! Puts a record together and programs it: one program call for records up to 256 bytes, one per
//! 256 bytes for longer ones, so that no buffer of a sector's size is needed.

use embedded_storage::nor_flash::NorFlash;

use crate::error::Error;
use crate::medium::{Found, Medium, copy};
use crate::record::{Check, Header, Life, Trailer};

const CHUNK: usize = 256;

pub(crate) struct Writer<'a, F> {
    medium: &'a mut Medium<F>,
    /// Where the buffer will be programmed.
    at: u32,
    /// Where the record ends.
    end: u32,
    buffer: [u8; CHUNK],
    fill: usize,
    outer: Check,
    /// Check of a record carried inside.
    inner: Option<Check>,
}

impl<'a, F: NorFlash> Writer<'a, F> {
    /// Starts a record at `address`, which must be placed and have room up to its end.
    pub(crate) fn start(
        medium: &'a mut Medium<F>,
        life: Life,
        address: u32,
        header: Header,
    ) -> Result<Self, Error<F::Error>> {
        let offset = medium.geometry.offset_of(address);
        let end = medium.geometry.record_end(offset, header.key_len, header.value_len);
        let mut writer = Self {
            at: address,
            end: address - offset + end,
            buffer: [0xFF; CHUNK],
            fill: 0,
            outer: Check::new(life, offset),
            inner: None,
            medium,
        };
        writer.push_header(header)?;
        Ok(writer)
    }

    pub(crate) fn push(&mut self, mut bytes: &[u8]) -> Result<(), Error<F::Error>> {
        self.outer.update(bytes);
        if let Some(inner) = &mut self.inner {
            inner.update(bytes);
        }
        while !bytes.is_empty() {
            let room = self.buffer.get_mut(self.fill..).unwrap_or(&mut []);
            let n = room.len().min(bytes.len());
            let (now, later) = bytes.split_at(n);
            copy(room, now);
            self.fill += n;
            bytes = later;
            if self.fill == CHUNK {
                self.flush()?;
            }
        }
        Ok(())
    }

    fn push_header(&mut self, header: Header) -> Result<(), Error<F::Error>> {
        let len = self.medium.geometry.header() as usize;
        self.push(header.encode().get(..len).unwrap_or(&[]))
    }

    fn push_trailer(&mut self, trailer: Trailer) -> Result<(), Error<F::Error>> {
        let len = self.medium.geometry.trailer() as usize;
        self.push(trailer.get(..len).unwrap_or(&[]))
    }

    fn flush(&mut self) -> Result<(), Error<F::Error>> {
        let bytes = self.buffer.get(..self.fill).unwrap_or(&[]);
        if !bytes.is_empty() {
            self.medium.program(self.at, bytes)?;
        }
        self.at += self.fill as u32;
        self.fill = 0;
        Ok(())
    }

    /// Where the next byte will stand.
    const fn position(&self) -> u32 {
        self.at + self.fill as u32
    }

    fn pad_to(&mut self, end: u32) -> Result<(), Error<F::Error>> {
        while self.position() < end {
            self.push(&[0xFF])?;
        }
        Ok(())
    }

    /// Key and value of another record. The difference between the trailer it has and the one it
    /// should have, so that a copy of a damaged record is as damaged as the record.
    pub(crate) fn push_from(
        &mut self,
        source: &Found,
        life: Life,
    ) -> Result<Trailer, Error<F::Error>> {
        // Read once: what is checked is what is copied.
        let g = self.medium.geometry;
        let mut check = Check::new(life, g.offset_of(source.address));
        let mut buffer = [0; 64];
        let mut trailer: Trailer = [0; _];
        let mut at = source.address;
        let from = g.key_at(source);
        let to = g.value_at(source) + source.header.value_len;
        while at < source.end {
            let n = ((source.end - at) as usize).min(buffer.len());
            let piece = buffer.get_mut(..n).unwrap_or(&mut []);
            self.medium.read(at, piece)?;
            let part = |from: u32, to: u32| {
                let low = (from.max(at) - at) as usize;
                let high = (to.saturating_sub(at) as usize).min(n);
                piece.get(low..high).unwrap_or(&[])
            };
            check.update(part(at, g.body_end(source)));
            let stored = part(g.body_end(source), source.end);
            let skip = at.saturating_sub(g.body_end(source)) as usize;
            copy(trailer.get_mut(skip..).unwrap_or(&mut []), stored);
            let mut wanted = [0; 64];
            let wanted = wanted.get_mut(..part(from, to).len()).unwrap_or(&mut []);
            copy(wanted, part(from, to));
            self.push(wanted)?;
            at += n as u32;
        }
        for (have, want) in trailer.iter_mut().zip(check.trailer(g.trailer())) {
            *have ^= want;
        }
        Ok(trailer)
    }

    /// A whole copy of a record inside this one. `false`: it does not pass its checks, and this
    /// record must not be finished.
    pub(crate) fn carry(&mut self, source: &Found, life: Life) -> Result<bool, Error<F::Error>> {
        let start = self.position();
        let g = self.medium.geometry;
        let offset = g.offset_of(start);
        let header = source.header;
        let end = start - offset + g.record_end(offset, header.key_len, header.value_len);
        self.inner = Some(Check::new(life, offset));
        self.push_header(header)?;
        let difference = self.push_from(source, life)?;
        if difference != [0; 7] {
            return Ok(false);
        }
        self.pad_to(end - g.trailer())?;
        if let Some(inner) = self.inner.take() {
            self.push_trailer(inner.trailer(g.trailer()))?;
        }
        Ok(true)
    }

    /// Pads, adds the trailer and programs the rest. Returns the end of the record.
    pub(crate) fn finish(mut self, difference: Trailer) -> Result<u32, Error<F::Error>> {
        let len = self.medium.geometry.trailer();
        self.pad_to(self.end - len)?;
        let mut trailer = self.outer.clone().trailer(len);
        for (byte, other) in trailer.iter_mut().zip(difference) {
            *byte ^= other;
        }
        self.push_trailer(trailer)?;
        self.flush()?;
        Ok(self.end)
    }
}
