//! The store on bare metal, with a flash that the compiler knows nothing about.
#![no_std]
#![no_main]

use core::hint::black_box;
use core::panic::PanicInfo;

use outlast_kvstore::embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash,
};
use outlast_kvstore::{Layout, Store};

#[derive(Clone, Copy, Debug)]
struct Failed;

impl NorFlashError for Failed {
    fn kind(&self) -> NorFlashErrorKind {
        NorFlashErrorKind::Other
    }
}

struct Flash;

impl ErrorType for Flash {
    type Error = Failed;
}

/// Stands for a driver; one call each.
#[inline(never)]
fn driver(operation: u32, at: u32, len: usize, bytes: *const u8) -> Result<(), Failed> {
    if black_box((operation, at, len, bytes)).0 == 9 { Err(Failed) } else { Ok(()) }
}

impl ReadNorFlash for Flash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Failed> {
        driver(0, offset, bytes.len(), bytes.as_mut_ptr())?;
        black_box(bytes);
        Ok(())
    }

    fn capacity(&self) -> usize {
        16384
    }
}

impl NorFlash for Flash {
    const WRITE_SIZE: usize = 1;
    const ERASE_SIZE: usize = 4096;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Failed> {
        driver(1, from, to as usize, core::ptr::null())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Failed> {
        driver(2, offset, bytes.len(), bytes.as_ptr())
    }
}

/// Entry point. The attribute is all that is unsafe here.
#[unsafe(no_mangle)]
pub extern "C" fn _start() -> ! {
    if let Ok(mut store) = Store::<Flash, 64>::open(Flash, Layout::serial_nor()) {
        let mut buffer = [0; 32];
        let _ = black_box(store.put("radio.channel", black_box(&[11])));
        let _ = black_box(store.get("radio.channel", &mut buffer).is_ok());
        let _ = black_box(store.delete("radio.channel"));
        #[cfg(feature = "all")]
        {
            use outlast_kvstore::Change;
            let _ = black_box(store.commit(&[Change::put("a", &[1]), Change::delete("b")]));
            let _ = black_box(store.for_each_key(|key, len| {
                black_box((key, len));
            }));
            let _ = black_box(store.tidy());
            let _ = black_box(store.clear());
            black_box(store.usage());
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
