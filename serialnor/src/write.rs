//! Programming and erasing.

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::SpiDevice;

use crate::driver::SerialNor;
use crate::error::{Error, Work};
use crate::sfdp::EraseType;
use crate::timeout::erase_timeout_us;

/// Bytes compared at a time when a program or an erase is verified.
const COMPARED_BYTES: usize = 32;

impl<SPI: SpiDevice, D: DelayNs, const ERASE: usize, const WRITE: usize>
    SerialNor<SPI, D, ERASE, WRITE>
{
    pub(crate) fn program_bytes(&mut self, at: u32, data: &[u8]) -> Result<(), Error<SPI::Error>> {
        self.check(at, data.len() as u64)?;
        if !(at as usize).is_multiple_of(WRITE) || !data.len().is_multiple_of(WRITE) {
            return Err(Error::NotAligned);
        }
        self.be_ready()?;
        let head = self.command(self.chip.program_opcode, at).len();
        let most = self.options.transfer_bytes.saturating_sub(head).max(1);
        // Each piece is a whole number of units; the smallest transfer holds one.
        let most = (most - most % WRITE).max(WRITE);
        let page = self.chip.page_bytes.max(1);
        let (mut at, mut rest) = (at, data);
        while !rest.is_empty() {
            let room = (page - at % page) as usize;
            let len = room.min(most).min(rest.len());
            let (piece, later) = rest.split_at_checked(len).unwrap_or((rest, &[]));
            self.program_piece(at, piece)?;
            at = at.wrapping_add(piece.len() as u32);
            rest = later;
        }
        Ok(())
    }

    /// Programs bytes within one page, with one command.
    fn program_piece(&mut self, at: u32, data: &[u8]) -> Result<(), Error<SPI::Error>> {
        self.enable_write()?;
        let command = self.command(self.chip.program_opcode, at);
        self.pending = Some((Work::Program, self.chip.program_timeout_us));
        self.bus.send_data(command, data).map_err(Error::Bus)?;
        self.complete((self.chip.program_typical_us / 8).clamp(10, 1_000))?;
        if self.options.verify {
            let mut at = at;
            for piece in data.chunks(COMPARED_BYTES) {
                self.compare(at, piece.iter().copied())?;
                // The address wraps to 0 only after the last piece, at the end of 4 GiB.
                at = at.wrapping_add(COMPARED_BYTES as u32);
            }
        }
        Ok(())
    }

    pub(crate) fn erase_range(&mut self, from: u32, to: u32) -> Result<(), Error<SPI::Error>> {
        let len = to.checked_sub(from).ok_or(Error::OutOfBounds)?;
        self.check(from, u64::from(len))?;
        if !(from as usize).is_multiple_of(ERASE) || !(to as usize).is_multiple_of(ERASE) {
            return Err(Error::NotAligned);
        }
        self.be_ready()?;
        let mut at = u64::from(from);
        while at < u64::from(to) {
            let erase = *self.chip.erase_for(at, to.into()).ok_or(Error::NotAligned)?;
            self.erase_piece(at as u32, &erase)?;
            at += u64::from(erase.bytes);
        }
        Ok(())
    }

    fn erase_piece(&mut self, at: u32, erase: &EraseType) -> Result<(), Error<SPI::Error>> {
        self.enable_write()?;
        self.pending = Some((Work::Erase, erase_timeout_us(erase)));
        let command = self.command(erase.opcode, at);
        self.bus.send(command).map_err(Error::Bus)?;
        let typical = erase.times.map_or(100_000, |times| times.typical_us);
        self.complete((typical / 32).clamp(100, 10_000) as u32)?;
        if self.options.verify {
            for offset in (0..erase.bytes).step_by(COMPARED_BYTES) {
                let len = COMPARED_BYTES.min((erase.bytes - offset) as usize);
                self.compare(at.wrapping_add(offset), core::iter::repeat_n(0xFF, len))?;
            }
        }
        Ok(())
    }

    /// Compares at most [`COMPARED_BYTES`].
    fn compare(
        &mut self,
        at: u32,
        wanted: impl ExactSizeIterator<Item = u8>,
    ) -> Result<(), Error<SPI::Error>> {
        let mut bytes = [0; COMPARED_BYTES];
        let len = wanted.len().min(COMPARED_BYTES);
        let Some(bytes) = bytes.get_mut(..len) else { return Ok(()) };
        // The smallest transfer holds a command and 26 bytes; `read_bytes` splits the read if
        // needed.
        self.read_bytes(at, bytes)?;
        match bytes.iter().zip(wanted).position(|(byte, wanted)| *byte != wanted) {
            Some(offset) => Err(Error::Verify { at: at.wrapping_add(offset as u32) }),
            None => Ok(()),
        }
    }
}
