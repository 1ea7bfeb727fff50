//! The driver for serial chips on bare metal, with a bus that the compiler knows nothing about.
#![no_std]
#![no_main]

use core::hint::black_box;
use core::panic::PanicInfo;

use outlast_spinor::embedded_hal::delay::DelayNs;
use outlast_spinor::embedded_hal::spi::{Error, ErrorKind, ErrorType, Operation, SpiDevice};
use outlast_spinor::embedded_storage::nor_flash::{NorFlash, ReadNorFlash};
use outlast_spinor::{Options, SpiNor};

#[derive(Clone, Copy, Debug)]
struct Failed;

impl Error for Failed {
    fn kind(&self) -> ErrorKind {
        ErrorKind::Other
    }
}

struct Bus;

impl ErrorType for Bus {
    type Error = Failed;
}

impl SpiDevice for Bus {
    #[inline(never)]
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Failed> {
        if black_box(operations).len() == 9 { Err(Failed) } else { Ok(()) }
    }
}

struct Pause;

impl DelayNs for Pause {
    #[inline(never)]
    fn delay_ns(&mut self, time: u32) {
        black_box(time);
    }
}

/// Entry point. The attribute is all that is unsafe here.
#[unsafe(no_mangle)]
pub extern "C" fn _start() -> ! {
    if let Ok(mut flash) = SpiNor::<_, _, 4096>::new(Bus, Pause, black_box(Options::new())) {
        let (at, mut bytes) = (black_box(4096), [0; 300]);
        let _ = black_box(flash.read(at, black_box(&mut bytes)).is_ok());
        let _ = black_box(flash.write(at, black_box(&bytes)).is_ok());
        let _ = black_box(flash.erase(at, black_box(65536)).is_ok());
        #[cfg(feature = "all")]
        {
            let _ = black_box(flash.reset().is_ok());
            let _ = black_box(flash.power_down().is_ok());
            black_box((flash.id(), flash.chip(), flash.capacity()));
        }
    }
    loop {}
}

#[cfg(not(feature = "may-panic"))]
#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    unsafe extern "C" {
        fn a_panicking_branch_was_linked() -> !;
    }
    // Does not exist: the linker complains if anything can get here.
    unsafe { a_panicking_branch_was_linked() }
}

#[cfg(feature = "may-panic")]
#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    loop {}
}
