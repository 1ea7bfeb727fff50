//! The same device on a RISC-V core, over a full-duplex SPI controller; see `README.md`.
#![no_std]
#![no_main]

use core::fmt::Write;
use core::panic::PanicInfo;

use firmware::chips::DATA_SHEETS;
use firmware::service;
use firmware::sifive_board::Board;
use outlast_kvstore::Layout;
use outlast_kvstore::embedded_storage::nor_flash::ReadNorFlash;
use outlast_serialnor::{Options, SerialNor};
use riscv_rt::entry;

/// The settings are in the last sectors of the chip.
const SETTINGS_BYTES: u32 = 4 * 4096;

#[entry]
fn main() -> ! {
    let Some(Board { mut uart, flash, delay }) = Board::take() else { sleep() };
    // The emulated chip leaves its write enable latch set, which no real chip does. The store reads
    // back itself what it programs and erases.
    let options = Options::new()
        .with_data_sheets(DATA_SHEETS)
        .with_verify(false)
        .with_latch_that_stays_set(true);
    let mut chip: SerialNor<_, _> = match SerialNor::new(flash, delay, options) {
        Ok(chip) => chip,
        Err(error) => {
            let _ = writeln!(uart, "error: no flash chip: {error}");
            sleep();
        }
    };
    let end = u32::try_from(chip.capacity()).unwrap_or(u32::MAX);
    let range = end.saturating_sub(SETTINGS_BYTES)..end;
    let start = range.start;
    let _ = writeln!(uart, "flash chip, {end} bytes; settings in {start:#010x}..{end:#010x}");
    let layout = Layout::serial_nor().with_range(range);
    service::run(&mut chip, &layout, &mut uart)
}

fn sleep() -> ! {
    loop {
        riscv::asm::wfi();
    }
}

#[panic_handler]
fn panic(info: &PanicInfo<'_>) -> ! {
    // SAFETY: nothing else runs after this.
    let mut uart = unsafe { Board::last_words() };
    let _ = writeln!(uart, "\n{info}");
    sleep()
}
