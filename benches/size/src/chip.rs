//! A serial NOR chip on a bus that the compiler knows nothing about.

use outlast_spinor::embedded_hal::delay::DelayNs;
use outlast_spinor::embedded_hal::spi::{Error, ErrorKind, ErrorType, Operation, SpiDevice};
use outlast_spinor::{Options, SpiNor};

use crate::{Failed, driver};

impl Error for Failed {
    fn kind(&self) -> ErrorKind {
        ErrorKind::Other
    }
}

pub struct Bus;

impl ErrorType for Bus {
    type Error = Failed;
}

impl SpiDevice for Bus {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Failed> {
        driver(3, 0, operations.len(), operations.as_mut_ptr().cast())
    }
}

pub struct Delay;

impl DelayNs for Delay {
    fn delay_ns(&mut self, ns: u32) {
        let _ = driver(4, ns, 0, core::ptr::null());
    }
}

pub type Flash = SpiNor<Bus, Delay>;

pub fn flash() -> Result<Flash, outlast_spinor::Error<Failed>> {
    SpiNor::new(Bus, Delay, Options::new())
}
