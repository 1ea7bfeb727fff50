//! Programming and erasing.

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::SpiDevice;

use crate::checksum::Checksum;
use crate::driver::SerialNor;
use crate::error::Error;
use crate::machine::{COMPARED_BYTES, Job};
use crate::until::Until;

impl<SPI: SpiDevice, D: DelayNs, const ERASE: usize, const WRITE: usize>
    SerialNor<SPI, D, ERASE, WRITE>
{
    /// Begins to program the first bytes of `data`, as many as one command takes, and returns how
    /// many these are: at most to the end of the page, and no more than the transfer limit allows.
    ///
    /// Waits only for what was begun before. [`Self::is_done`] then says when the chip has
    /// finished. Any other call finishes it first.
    ///
    /// # Errors
    /// [`Error::OutOfBounds`] and [`Error::NotAligned`] if `data` as a whole does not fit;
    /// otherwise any error of a program. After an error nothing is in progress that the driver
    /// knows of, except after [`Error::Bus`] and [`Error::StillBusy`].
    pub fn begin_program(&mut self, at: u32, data: &[u8]) -> Result<usize, Error<SPI::Error>> {
        self.check_program(at, data)?;
        let piece = self.first_piece(at, data);
        if !piece.is_empty() {
            self.start_program(at, piece, true)?;
            self.drive(piece, Until::Begun)?;
        }
        Ok(piece.len())
    }

    /// Begins to erase a range of whole erase sizes. If that takes several commands,
    /// [`Self::is_done`] sends the others, one after the other.
    ///
    /// Waits only for what was begun before. Any other call finishes the erase first.
    ///
    /// # Errors
    /// [`Error::OutOfBounds`] and [`Error::NotAligned`]; otherwise any error of an erase.
    pub fn begin_erase(&mut self, from: u32, to: u32) -> Result<(), Error<SPI::Error>> {
        self.start_erase(from, to)?;
        self.drive(&[], Until::Begun).map(|_| ())
    }

    /// Whether everything that was begun is finished, and is verified if the driver verifies. Does
    /// what can be done without waiting for a program or erase, at most one read of 64 bytes or one
    /// further command.
    ///
    /// The driver has no clock and gives up only calls that wait. If this is still false after the
    /// longest time of the chip, [`Chip::program_timeout_us`](crate::Chip::program_timeout_us) or
    /// that of the erase, call [`Self::finish`], which waits once more and then says what is wrong.
    ///
    /// # Errors
    /// Any error of a program or an erase. It is over then, and a further call returns `true`.
    pub fn is_done(&mut self) -> Result<bool, Error<SPI::Error>> {
        Ok(self.machine.is_asleep() || self.drive(&[], Until::Busy)?)
    }

    /// Waits until everything that was begun is finished.
    ///
    /// # Errors
    /// Any error of a program or an erase.
    pub fn finish(&mut self) -> Result<(), Error<SPI::Error>> {
        self.be_ready()
    }

    pub(crate) fn program_bytes(&mut self, at: u32, data: &[u8]) -> Result<(), Error<SPI::Error>> {
        self.check_program(at, data)?;
        let (mut at, mut rest) = (at, data);
        while !rest.is_empty() {
            let piece = self.first_piece(at, rest);
            self.start_program(at, piece, false)?;
            self.drive(piece, Until::Done)?;
            at = at.wrapping_add(piece.len() as u32);
            rest = rest.get(piece.len()..).unwrap_or(&[]);
        }
        Ok(())
    }

    pub(crate) fn erase_range(&mut self, from: u32, to: u32) -> Result<(), Error<SPI::Error>> {
        self.start_erase(from, to)?;
        self.drive(&[], Until::Done).map(|_| ())
    }

    fn check_program(&mut self, at: u32, data: &[u8]) -> Result<(), Error<SPI::Error>> {
        self.check(at, data.len() as u64)?;
        if !(at as usize).is_multiple_of(WRITE) || !data.len().is_multiple_of(WRITE) {
            return Err(Error::NotAligned);
        }
        Ok(())
    }

    /// What one command programs: bytes within one page.
    fn first_piece<'data>(&self, at: u32, data: &'data [u8]) -> &'data [u8] {
        let head = self.machine.command(self.machine.chip.program_opcode, at).len();
        let most = self.machine.policy.transfer_bytes.saturating_sub(head).max(1);
        // Each piece is a whole number of units; the smallest transfer holds one.
        let most = (most - most % WRITE).max(WRITE);
        let page = self.machine.chip.page_bytes.max(1);
        let room = (page - at % page) as usize;
        data.get(..room.min(most)).unwrap_or(data)
    }

    /// Gives the machine a program of bytes that one command takes.
    fn start_program(
        &mut self,
        at: u32,
        data: &[u8],
        needs_sum: bool,
    ) -> Result<(), Error<SPI::Error>> {
        self.be_ready()?;
        let policy = &self.machine.policy;
        let sum = if policy.verify && (policy.second_programs || needs_sum) {
            Some(self.expected(at, data)?)
        } else {
            None
        };
        self.machine.begin(Job::Program { at, len: data.len() as u32, sum });
        Ok(())
    }

    /// The checksum of what these bytes will read as after the program.
    fn expected(&mut self, at: u32, data: &[u8]) -> Result<Checksum, Error<SPI::Error>> {
        let mut sum = Checksum::new();
        let mut before = [0xFF; COMPARED_BYTES];
        let mut at = at;
        for piece in data.chunks(COMPARED_BYTES) {
            let before = before.get_mut(..piece.len()).unwrap_or(&mut []);
            if self.machine.policy.second_programs {
                self.read_bytes(at, before)?;
            }
            before.iter().zip(piece).for_each(|(before, byte)| sum.push(before & byte));
            // Wraps to 0 only after the last piece, at the end of 4 GiB.
            at = at.wrapping_add(COMPARED_BYTES as u32);
        }
        Ok(sum)
    }

    fn start_erase(&mut self, from: u32, to: u32) -> Result<(), Error<SPI::Error>> {
        let len = to.checked_sub(from).ok_or(Error::OutOfBounds)?;
        self.check(from, u64::from(len))?;
        if !(from as usize).is_multiple_of(ERASE) || !(to as usize).is_multiple_of(ERASE) {
            return Err(Error::NotAligned);
        }
        self.be_ready()?;
        let job = self.machine.erase_job(from, to).ok_or(Error::NotAligned)?;
        self.machine.begin(job);
        Ok(())
    }
}
