//! Single operations on the flash: reads of any length and alignment, programs of whole units, and
//! erases of whole sectors.

use embedded_storage::nor_flash::NorFlash;

use crate::error::Fault;
use crate::format::bytes::copy;
use crate::format::geometry::Geometry;

/// How often a read is tried before its failure counts as damage: a bus may fail once.
const READ_TRIES: u32 = 3;

/// The flash driver, and where in the flash the store lives.
#[derive(Debug)]
pub(crate) struct Medium<F: NorFlash> {
    pub(crate) flash: F,
    pub(crate) geometry: Geometry,
    /// The first failure. From then on nothing is read, programmed or erased, so a call need not
    /// check this after each step, only before it reports anything.
    pub(crate) fault: Option<Fault<F::Error>>,
    /// Set when a unit could not be read.
    #[cfg(feature = "counters")]
    pub(crate) unread: bool,
    /// Set while ticks of an earlier power-up are in the flash. One of them may have been
    /// interrupted.
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

    /// Fills `out`, and returns whether that worked. A place that cannot be read is damage; if no
    /// sector can be read, that is a failure of the driver.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
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

    /// Fills `out` with what can be read, and returns whether that was everything. A unit that
    /// cannot be read counts as half zeros, then half ones. No record passes its checks with that
    /// unless it was what was written there; in a tally it stands for the tick that was
    /// interrupted.
    // Inlined, since its frame would add to the stack of most calls.
    #[inline(always)]
    pub(crate) fn read_readable(&mut self, at: u32, out: &mut [u8]) -> bool {
        self.read(at, out) || self.read_units(at, out)
    }

    /// The same, unit by unit.
    // Rarely needed, so its frame should not be part of every read.
    #[inline(never)]
    fn read_units(&mut self, at: u32, out: &mut [u8]) -> bool {
        let unit = self.geometry.unit;
        let (mut at, mut rest) = (at, out);
        while !rest.is_empty() {
            // A carried record does not start on a unit.
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
        // First the bytes up to a multiple of the read unit.
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
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn program(&mut self, at: u32, bytes: &[u8]) {
        if self.fault.is_none() {
            let result = self.flash.write(self.geometry.base + at, bytes);
            self.fault = result.err().map(Fault::Flash);
        }
    }

    /// Programs zeros. These are allowed over anything.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
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

    /// Whether every byte of the range reads as `byte`. A range that cannot be read does not.
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
