//! The board: addresses and clock of an `ast1030-evb` as QEMU 7.2 emulates it
//! (`hw/arm/aspeed_ast10x0.c`, `hw/ssi/aspeed_smc.c`). Not tried on a real board.

use core::sync::atomic::{AtomicBool, Ordering};

use embedded_hal::delay::DelayNs;

use crate::flash_bus::FlashBus;
use crate::uart::Uart;

const UART5: usize = 0x7E78_4000;
const FLASH_CONTROLLER: usize = 0x7E62_0000;
const FLASH_WINDOW: usize = 0x8000_0000;
/// Clock cycles of the core, at the 200 MHz of the emulator.
const CYCLES_PER_MICROSECOND: u32 = 200;

/// Waits by counting cycles, never shorter than requested.
#[derive(Clone, Copy, Debug)]
pub struct Delay;

impl DelayNs for Delay {
    fn delay_ns(&mut self, ns: u32) {
        cortex_m::asm::delay((ns / 1000 + 1).saturating_mul(CYCLES_PER_MICROSECOND));
    }
}

/// The peripherals in use.
#[derive(Debug)]
pub struct Board {
    /// The serial line to a person or a test.
    pub uart: Uart,
    /// The serial NOR chip.
    pub flash: FlashBus<Delay>,
}

impl Board {
    /// Returns the peripherals the first time, and `None` ever after.
    pub fn take() -> Option<Self> {
        static TAKEN: AtomicBool = AtomicBool::new(false);
        // Interrupts stay masked: the serial line only wakes the core. There is no atomic swap
        // here, because the smallest cores do not have it.
        cortex_m::interrupt::disable();
        if TAKEN.load(Ordering::Relaxed) {
            return None;
        }
        TAKEN.store(true, Ordering::Relaxed);
        // SAFETY: addresses of this board, handed out once, and interrupts are masked.
        unsafe {
            Some(Self {
                uart: Uart::new(UART5),
                flash: FlashBus::new(FLASH_CONTROLLER, FLASH_WINDOW, Delay),
            })
        }
    }

    /// The serial line for the message of a panic.
    ///
    /// # Safety
    /// The previous owner must never use it again.
    pub unsafe fn last_words() -> Uart {
        cortex_m::interrupt::disable();
        // SAFETY: the caller guarantees that nothing else uses it.
        unsafe { Uart::new(UART5) }
    }
}
