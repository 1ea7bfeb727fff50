//! The flash memory controller in its user mode, as an `SpiDevice`.
//!
//! Stores to the chip's window send bytes, loads from it receive bytes, and a control bit drives
//! the chip select. The controller either sends or receives; it cannot do both at once.

use core::fmt;

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{Error, ErrorKind, ErrorType, Operation, SpiDevice};

use crate::registers::Register;

const CONFIGURATION: usize = 0x00;
const CONTROL: usize = 0x10;

const MAY_WRITE: u32 = 1 << 16;
const USER_MODE: u32 = 0b11;
const DESELECT: u32 = 1 << 2;

/// Why a transaction was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BusError {
    /// It had to send and receive at once, which this controller cannot do.
    BothWays,
}

impl fmt::Display for BusError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the flash controller cannot send and receive at once")
    }
}

impl core::error::Error for BusError {}

impl Error for BusError {
    fn kind(&self) -> ErrorKind {
        ErrorKind::Other
    }
}

/// Chip select 0 of the flash memory controller.
#[derive(Debug)]
pub struct FlashBus<D> {
    control: Register<u32>,
    window: Register<u8>,
    delay: D,
}

impl<D: DelayNs> FlashBus<D> {
    /// Sets up the controller.
    ///
    /// # Safety
    /// `base` must be the address of the controller and `window` that of the memory window of its
    /// chip select 0; nothing else may use them.
    pub unsafe fn new(base: usize, window: usize, delay: D) -> Self {
        // SAFETY: the caller guarantees both.
        let (mut configuration, control, window) = unsafe {
            (
                Register::<u32>::new(base + CONFIGURATION),
                Register::new(base + CONTROL),
                Register::new(window),
            )
        };
        configuration.write(configuration.read() | MAY_WRITE);
        let mut bus = Self { control, window, delay };
        bus.control.write(USER_MODE | DESELECT);
        bus
    }
}

impl<D> ErrorType for FlashBus<D> {
    type Error = BusError;
}

impl<D: DelayNs> SpiDevice for FlashBus<D> {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), BusError> {
        let both_ways = |operation: &Operation<'_, u8>| {
            matches!(operation, Operation::Transfer(..) | Operation::TransferInPlace(_))
        };
        if operations.iter().any(both_ways) {
            return Err(BusError::BothWays);
        }
        self.control.write(USER_MODE);
        for operation in operations {
            match operation {
                Operation::Read(bytes) => bytes.fill_with(|| self.window.read()),
                Operation::Write(bytes) => bytes.iter().for_each(|byte| self.window.write(*byte)),
                Operation::DelayNs(ns) => self.delay.delay_ns(*ns),
                _ => {}
            }
        }
        self.control.write(USER_MODE | DESELECT);
        Ok(())
    }
}
