//! Access to the flash: addresses from the start of the store's range, any length and alignment
//! for reads, whole units for programs.

use embedded_storage::nor_flash::NorFlash;

use crate::error::Fault;
use crate::format::bytes::copy;
use crate::format::geometry::Geometry;

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
}
