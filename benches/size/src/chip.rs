//! A serial NOR chip on a bus that the compiler knows nothing about.

use core::hint::black_box;

use outlast_serialnor::embedded_hal::delay::DelayNs;
use outlast_serialnor::embedded_hal::spi::{Error, ErrorKind, ErrorType, Operation, SpiDevice};
use outlast_serialnor::{Options, SerialNor};

#[derive(Clone, Copy, Debug)]
pub struct Failed;

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
    #[inline(never)]
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Failed> {
        if black_box(operations).len() == 9 { Err(Failed) } else { Ok(()) }
    }
}

pub struct Pause;

impl DelayNs for Pause {
    #[inline(never)]
    fn delay_ns(&mut self, time: u32) {
        black_box(time);
    }
}

pub type Flash = SerialNor<Bus, Pause>;

pub fn flash() -> Result<Flash, outlast_serialnor::Error<Failed>> {
    Ok(SerialNor::new(Bus, Pause, black_box(Options::new()))?)
}
