//! A device with its settings in serial NOR flash, controlled over a serial line; see `README.md`.
#![no_std]
#![no_main]

use core::fmt::Write;
use core::panic::PanicInfo;

use cortex_m_rt::entry;
use embedded_hal::delay::DelayNs;
use firmware::board::{Board, Delay};
use firmware::chips::DATA_SHEETS;
use firmware::flash_bus::FlashBus;
use firmware::uart::Uart;
use firmware::{gauge, service};
use outlast_kvstore::Layout;
use outlast_kvstore::embedded_storage::nor_flash::ReadNorFlash;
use outlast_serialnor::{Options, SerialNor};

/// The settings are in the last sectors of the chip.
const SETTINGS_BYTES: u32 = 4 * 4096;
/// Pause before the chip is looked for again.
const RETRY_MS: u32 = 5000;

#[entry]
fn main() -> ! {
    let Some(Board { mut uart, mut flash }) = Board::take() else { sleep() };
    // The emulated chip leaves its write enable latch set, which no real chip does. The store reads
    // back itself what it programs and erases.
    let options = Options::new()
        .with_data_sheets(DATA_SHEETS)
        .with_verify(false)
        .with_latch_that_stays_set(true);
    let mut is_first_try = true;
    loop {
        let started = SerialNor::<_, _>::new(flash, Delay, options);
        let no_chip = match started {
            Ok(chip) => run(chip, &mut uart),
            Err(no_chip) => no_chip,
        };
        // The job goes on: a gauge on its defaults is better than none.
        if core::mem::take(&mut is_first_try) {
            let _ = writeln!(uart, "error: no flash chip: {no_chip}");
            gauge::start_on_defaults(&mut uart);
        }
        flash = no_chip.spi;
        Delay.delay_ms(RETRY_MS);
    }
}

/// Serves commands for ever, with the settings in the chip.
fn run(mut flash: SerialNor<FlashBus<Delay>, Delay>, uart: &mut Uart) -> ! {
    let capacity = u32::try_from(flash.capacity()).unwrap_or(u32::MAX);
    let range = capacity.saturating_sub(SETTINGS_BYTES)..capacity;
    if let Some(id) = flash.id() {
        let _ = write!(uart, "flash chip {id}, ");
    }
    let (start, end) = (range.start, range.end);
    let _ = writeln!(uart, "{capacity} bytes; settings in {start:#010x}..{end:#010x}");
    let layout = Layout::serial_nor().with_range(range);
    service::run(&mut flash, &layout, uart)
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
