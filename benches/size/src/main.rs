//! The store on bare metal, with a flash or a bus that the compiler knows nothing about.
#![no_std]
#![no_main]

use core::hint::black_box;
use core::panic::PanicInfo;

use outlast_kvstore::{Layout, Store};

#[cfg(feature = "chip")]
mod chip;
#[cfg(feature = "chip")]
use chip::{Flash, flash};
#[cfg(not(feature = "chip"))]
mod flash;
#[cfg(not(feature = "chip"))]
use flash::{Flash, flash};

#[derive(Clone, Copy, Debug)]
pub struct Failed;

/// Stands for a driver; one call each.
#[inline(never)]
fn driver(operation: u32, at: u32, len: usize, bytes: *const u8) -> Result<(), Failed> {
    if black_box((operation, at, len, bytes)).0 == 9 { Err(Failed) } else { Ok(()) }
}

/// Entry point. The attribute is all that is unsafe here.
#[unsafe(no_mangle)]
pub extern "C" fn _start() -> ! {
    let layout = Layout::serial_nor().with_range(0..16384);
    if let Ok(flash) = flash()
        && let Ok(mut store) = Store::<Flash, 64>::open(flash, layout)
    {
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
