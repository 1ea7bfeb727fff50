//! The same device with its settings in the flash of the microcontroller; see `README.md`.
#![no_std]
#![no_main]

use core::fmt::Write;
use core::panic::PanicInfo;

use cortex_m_rt::entry;
use firmware::internal_flash_board::Board;
use firmware::service;
use outlast_kvstore::Layout;
use outlast_kvstore::embedded_storage::nor_flash::ReadNorFlash;

#[entry]
fn main() -> ! {
    let Some(Board { mut uart, mut flash }) = Board::take() else { sleep() };
    let _ = writeln!(uart, "internal flash, {} bytes for settings", flash.capacity());
    let layout = Layout::of::<firmware::internal_flash::InternalFlash>();
    service::run(&mut flash, &layout, &mut uart)
}

fn sleep() -> ! {
    loop {
        cortex_m::asm::wfi();
    }
}

#[panic_handler]
fn panic(info: &PanicInfo<'_>) -> ! {
    // SAFETY: nothing else runs after this.
    let mut uart = unsafe { Board::last_words() };
    let _ = writeln!(uart, "\n{info}");
    sleep()
}
