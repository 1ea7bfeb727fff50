//! Single operations on the flash: reads of any length and alignment, programs of whole units, and
//! erases of whole sectors.

use embedded_storage::nor_flash::{NorFlash, NorFlashError, NorFlashErrorKind};

use crate::error::Fault;
use crate::format::bytes::copy;
use crate::format::check::zeros_of;
use crate::format::geometry::Geometry;

/// How often a read is tried before its failure counts as damage, and how often something is read
/// before a bad reading is believed: a bus may fail, or deliver a wrong bit.
pub(crate) const TRIES: u32 = 3;

/// The flash driver, and where in the flash the store lives.
// In this order, so that most calls find the geometry at the address they have.
#[repr(C)]
#[derive(Debug)]
pub(crate) struct Medium<F: NorFlash> {
    pub(crate) geometry: Geometry,
    /// The first failure. From then on nothing is read, programmed or erased, so a call need not
    /// check this after each step, only before it reports anything.
    pub(crate) fault: Option<Fault<F::Error>>,
    /// Set when a program or an erase did not have its effect.
    pub(crate) refused: bool,
    /// What to report if that cannot be helped. `None` if nothing was refused in this power-up.
    pub(crate) refusal: Option<Fault<F::Error>>,
    /// A bit that is known to be wrong: its address, and a mask. All readings correct it.
    pub(crate) fix: (u32, u8),
    /// Set when a unit could not be read.
    #[cfg(feature = "counters")]
    pub(crate) unread: bool,
    /// Set while ticks of an earlier power-up are in the flash. One of them may have been
    /// interrupted.
    #[cfg(feature = "counters")]
    pub(crate) mounting: bool,
    pub(crate) flash: F,
}

impl<F: NorFlash> Medium<F> {
    pub(crate) const fn new(flash: F, geometry: Geometry) -> Self {
        Self {
            flash,
            geometry,
            fault: None,
            refused: false,
            refusal: None,
            fix: (0, 0),
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
    /// sector can be read, or if the driver rejects the call, that is a failure of the driver.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn read(&mut self, at: u32, out: &mut [u8]) -> bool {
        let mut left = 2 * TRIES;
        while self.fault.is_none() {
            let Err(error) = self.read_once(at, out) else {
                let (place, mask) = self.fix;
                if let Some(byte) = out.get_mut(place.wrapping_sub(at) as usize) {
                    *byte ^= mask;
                }
                return true;
            };
            left -= 1;
            let is_mistake = matches!(
                error.kind(),
                NorFlashErrorKind::NotAligned | NorFlashErrorKind::OutOfBounds
            );
            // A disturbance of the bus may hit several reads in a row, whatever they read.
            if is_mistake || left == TRIES && !self.answers() {
                self.fault = Some(Fault::Flash(error));
            }
            if left == 0 {
                break;
            }
        }
        false
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

    /// Programs whole units, and reads them back. Notes it if they are not what they should be.
    // Outlined, so that the buffer is not part of the frame of every write.
    #[inline(never)]
    pub(crate) fn program(&mut self, at: u32, bytes: &[u8]) {
        if self.fault.is_some() || self.refused {
            return;
        }
        self.forget_fix(at, at + bytes.len() as u32);
        if let Err(error) = self.flash.write(self.geometry.base + at, bytes) {
            self.refuse(error);
            return;
        }
        self.verify(at, bytes, 0xFF);
    }

    /// Programs further zeros of a unit that has some already.
    #[cfg(feature = "counters")]
    pub(crate) fn program_bits(&mut self, at: u32, bytes: &[u8]) {
        if self.fault.is_some() || self.refused {
            return;
        }
        match self.flash.write(self.geometry.base + at, bytes) {
            Err(error) => self.refuse(error),
            Ok(()) => self.verify(at, bytes, 0),
        }
    }

    /// Notes it if the flash does not hold these bytes. Ones are compared only where `ones` is set.
    fn verify(&mut self, at: u32, bytes: &[u8], ones: u8) {
        let mut back = [0; 32];
        for (at, piece) in (at..).step_by(back.len()).zip(bytes.chunks(back.len())) {
            let back = back.get_mut(..piece.len()).unwrap_or(&mut []);
            let mut agrees = || {
                self.read(at, back)
                    && back
                        .iter()
                        .zip(piece)
                        .all(|(read, wanted)| (read ^ wanted) & (!wanted | ones) == 0)
            };
            if !(0..TRIES).any(|_| agrees()) {
                self.refuse_silently();
            }
        }
    }

    /// Notes that a program or an erase had no effect although the driver reported no error.
    fn refuse_silently(&mut self) {
        self.refused = true;
        self.refusal.get_or_insert(Fault::Worn);
    }

    /// Whether the bit that is known to be wrong lies in a range.
    pub(crate) const fn has_fix(&self, from: u32, to: u32) -> bool {
        self.fix.1 != 0 && from <= self.fix.0 && self.fix.0 < to
    }

    /// Forgets the wrong bit if it is about to be programmed or erased.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    const fn forget_fix(&mut self, from: u32, to: u32) {
        if self.has_fix(from, to) {
            self.fix = (0, 0);
        }
    }

    /// Notes the error of a program or an erase. If the part does not answer at all, that is a
    /// failure of the driver.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    fn refuse(&mut self, error: F::Error) {
        if self.answers() {
            self.refused = true;
            self.refusal = Some(Fault::Flash(error));
        } else {
            self.fault = Some(Fault::Flash(error));
        }
    }

    /// Whether a program or an erase was refused since the last call.
    pub(crate) const fn take_refused(&mut self) -> bool {
        core::mem::replace(&mut self.refused, false)
    }

    /// Ends the call, since the part does not take what must be written. If the part refused
    /// nothing, then there was no room for it.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn give_up(&mut self) {
        let fault = self.refusal.take().unwrap_or(Fault::Full);
        self.fault.get_or_insert(fault);
    }

    /// Programs zeros over a unit that reads blank, and returns whether it did and took them. An
    /// earlier power-up may have begun to program zeros there, without visible effect.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn zero_blank_unit(&mut self, at: u32) -> bool {
        self.zero_unit_of_blank(at, self.geometry.unit)
    }

    /// The same if all of the `len` bytes that the unit begins read blank.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn zero_unit_of_blank(&mut self, at: u32, len: u32) -> bool {
        if !self.is_blank(at, at + len) {
            return false;
        }
        self.zero_unit(at);
        !self.take_refused()
    }

    /// Programs zeros over one unit.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn zero_unit(&mut self, at: u32) {
        const ZEROS: [u8; 32] = [0; 32];
        self.program(at, ZEROS.get(..self.geometry.unit as usize).unwrap_or(&ZEROS));
    }

    /// Erases a sector. Notes it if the driver reports a failure, or if it does not read blank.
    /// All of it is read, since an erase may have half its effect.
    // Outlined, since its frame is not needed afterwards.
    #[inline(never)]
    pub(crate) fn erase(&mut self, sector: u32) {
        if self.fault.is_some() || self.refused {
            return;
        }
        let from = sector * self.geometry.sector_bytes;
        let to = from + self.geometry.sector_bytes;
        self.forget_fix(from, to);
        if let Err(error) = self.flash.erase(self.geometry.base + from, self.geometry.base + to) {
            self.refuse(error);
        } else {
            // One bit that stays zero, or a unit that cannot be read, costs only its place. More mean
            // that nothing was erased there.
            let mut bytes = [0; 64];
            let mut pieces = (from..to).step_by(bytes.len());
            if pieces
                .any(|at| (0..TRIES).all(|_| self.read(at, &mut bytes) && zeros_of(&bytes) > 1))
            {
                self.refuse_silently();
            }
        }
    }

    /// The least number of zeros that several readings of a unit have. One that cannot be read
    /// counts as all zeros.
    pub(crate) fn zeros_in_unit(&mut self, at: u32) -> u32 {
        let mut bytes = [0; 32];
        let unit = self.geometry.unit as usize;
        let unit = bytes.get_mut(..unit).unwrap_or(&mut []);
        let mut zeros = u32::MAX;
        for _ in 0..TRIES {
            if self.read(at, unit) {
                zeros = zeros.min(zeros_of(unit));
            }
            if zeros == 0 {
                break;
            }
        }
        zeros
    }

    /// Whether the range reads blank, in one of several readings.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn is_blank(&mut self, from: u32, to: u32) -> bool {
        let mut buffer = [0; 64];
        let mut at = from;
        let mut left = TRIES;
        while at < to {
            let n = ((to - at) as usize).min(buffer.len());
            let part = buffer.get_mut(..n).unwrap_or(&mut []);
            if self.read(at, part) && part.iter().all(|b| *b == 0xFF) {
                at += n as u32;
                continue;
            }
            left -= 1;
            if left == 0 {
                return false;
            }
        }
        true
    }
}
