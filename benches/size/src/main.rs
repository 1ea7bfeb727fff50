//! The store on bare metal, with a flash or a bus that the compiler knows nothing about.
#![no_std]
#![no_main]

#[cfg(feature = "chip")]
mod chip;
#[cfg(not(feature = "chip"))]
mod flash;
mod panic;

use core::hint::black_box;

use outlast_kvstore::{Layout, Store};

#[cfg(feature = "chip")]
use crate::chip::{Flash, flash};
#[cfg(not(feature = "chip"))]
use crate::flash::{Flash, flash};

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
