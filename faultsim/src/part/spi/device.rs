//! The bus: bytes, pauses, and cuts during them.

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{ErrorType, Operation, SpiDevice};

use super::bus_error::BusError;
use super::commands::Commands;
use super::profile::Profile;
use super::work::{cut, finish, is_cut_within};
use crate::part::{Chip, Part};

/// How many bytes and pauses one power-up may have before it counts as an endless loop.
const MOST_MOMENTS: u64 = 200_000_000;

/// The part as a device on an SPI bus.
#[derive(Debug)]
pub struct SpiChip {
    part: Part,
    profile: Profile,
    longest: usize,
    /// Bytes sent in the current transaction; kept to reuse the allocation.
    sent: Vec<u8>,
}

/// Pauses of the microcontroller, in the simulated time of the part.
#[derive(Clone, Debug)]
pub struct Pause(Part);

impl SpiChip {
    /// The part as a chip of this kind.
    pub fn new(part: &Part, profile: Profile) -> Self {
        Self { part: part.clone(), profile, longest: usize::MAX, sent: Vec::new() }
    }

    /// Makes transactions of more bytes fail, as on some SPI controllers.
    #[must_use]
    pub fn with_longest_transfer(self, bytes: usize) -> Self {
        Self { longest: bytes, ..self }
    }

    /// The delay provider that belongs to this chip.
    pub fn pause(&self) -> Pause {
        Pause(self.part.clone())
    }
}

impl ErrorType for SpiChip {
    type Error = BusError;
}

impl SpiDevice for SpiChip {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), BusError> {
        let mut chip = self.part.chip_mut();
        check(&chip)?;
        let len = |operation: &Operation<'_, u8>| match operation {
            Operation::Read(bytes) => bytes.len(),
            Operation::Write(bytes) => bytes.len(),
            Operation::Transfer(read, write) => read.len().max(write.len()),
            Operation::TransferInPlace(bytes) => bytes.len(),
            Operation::DelayNs(_) => 0,
        };
        if operations.iter().map(len).sum::<usize>() > self.longest {
            return Err(BusError::TooLong);
        }
        self.sent.clear();
        let mut commands = Commands { chip: &mut chip, profile: &self.profile };
        for operation in operations {
            match operation {
                Operation::Write(bytes) => commands.write(&mut self.sent, bytes)?,
                Operation::Read(out) => commands.read(&mut self.sent, out)?,
                Operation::Transfer(out, bytes) => {
                    for index in 0..out.len().max(bytes.len()) {
                        let byte = bytes.get(index).copied().unwrap_or(0);
                        let answer = commands.exchange(&mut self.sent, byte)?;
                        if let Some(out) = out.get_mut(index) {
                            *out = answer;
                        }
                    }
                }
                Operation::TransferInPlace(bytes) => {
                    for byte in bytes.iter_mut() {
                        *byte = commands.exchange(&mut self.sent, *byte)?;
                    }
                }
                Operation::DelayNs(time) => commands.pass(u64::from(*time))?,
            }
        }
        commands.deselect(&self.sent)
    }
}

impl DelayNs for Pause {
    fn delay_ns(&mut self, time: u32) {
        let mut chip = self.0.chip_mut();
        // A delay cannot report that the power went off; the next transaction does.
        let _ = pause(&mut chip, u64::from(time));
    }

    // One pause is one moment, however long.
    fn delay_us(&mut self, time: u32) {
        let _ = pause(&mut self.0.chip_mut(), u64::from(time) * 1_000);
    }

    fn delay_ms(&mut self, time: u32) {
        let _ = pause(&mut self.0.chip_mut(), u64::from(time) * 1_000_000);
    }
}

fn check(chip: &Chip) -> Result<(), BusError> {
    if chip.is_off() {
        Err(BusError::Ended)
    } else if chip.volatile().moments >= MOST_MOMENTS {
        Err(BusError::Fuel)
    } else {
        Ok(())
    }
}

/// A pause between transactions. A cut falls in the middle of it.
fn pause(chip: &mut Chip, time_ns: u64) -> Result<(), BusError> {
    check(chip)?;
    let is_cut = is_cut_within(chip, 1).is_some();
    let first = if is_cut { time_ns / 2 } else { time_ns };
    chip.volatile_mut().moments += 1;
    chip.volatile_mut().now_ns += first;
    finish(chip)?;
    if !is_cut {
        return Ok(());
    }
    cut(chip)?;
    chip.volatile_mut().now_ns += time_ns - first;
    Ok(())
}
