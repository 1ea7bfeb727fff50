//! The driver of serial NOR chips on bare metal, with a bus that the compiler knows nothing about.
#![no_std]
#![no_main]

mod chip;
mod panic;

use core::hint::black_box;

use outlast_serialnor::embedded_storage::nor_flash::{NorFlash, ReadNorFlash};

/// Entry point. Only the attribute is unsafe here.
#[unsafe(no_mangle)]
pub extern "C" fn _start() -> ! {
    if let Ok(mut flash) = chip::flash() {
        let (at, mut bytes) = (black_box(4096), [0; 300]);
        let _ = black_box(flash.read(at, black_box(&mut bytes)).is_ok());
        let _ = black_box(flash.write(at, black_box(&bytes)).is_ok());
        let _ = black_box(flash.erase(at, black_box(65536)).is_ok());
        #[cfg(feature = "all")]
        {
            let _ = black_box(flash.reset().is_ok());
            let _ = black_box(flash.power_down().is_ok());
            let _ = black_box(flash.begin_program(at, black_box(&bytes)).is_ok());
            let _ = black_box(flash.begin_erase(at, black_box(65536)).is_ok());
            let _ = black_box((flash.is_done().is_ok(), flash.finish().is_ok()));
            let _ = black_box(flash.unprotect().is_ok());
            let _ = black_box(flash.unprotect_for_good().is_ok());
            let own = outlast_serialnor::OwnCommand::new(black_box(&[0x4B, 0, 0, 0, 0]));
            let _ = black_box(flash.run_own(own, &mut bytes).is_ok());
            black_box((flash.id(), flash.chip(), flash.capacity()));
        }
    }
    loop {}
}
