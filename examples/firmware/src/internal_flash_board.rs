//! A board without a flash chip: the BBC micro:bit as QEMU 7.2 emulates it (`hw/arm/microbit.c`,
//! `hw/arm/nrf51_soc.c`). Not tried on a real board.

use core::fmt;
use core::ops::Range;
use core::sync::atomic::{AtomicBool, Ordering};

use crate::console::SerialLine;
use crate::internal_flash::InternalFlash;
use crate::registers::Register;

const UART: usize = 0x4000_2000;
const FLASH_CONTROLLER: usize = 0x4001_E000;
/// The last 8 KiB of the flash. `microbit.x` keeps the program out of there.
const SETTINGS: Range<usize> = 0x3_E000..0x4_0000;

const START_RECEIVING: usize = 0x000;
const START_SENDING: usize = 0x008;
const RECEIVED: usize = 0x108;
const SENT: usize = 0x11C;
const ENABLE: usize = 0x500;
const RECEIVE_DATA: usize = 0x518;
const SEND_DATA: usize = 0x51C;

const ENABLED: u32 = 4;

/// The serial line, at the speed after a reset.
#[derive(Debug)]
pub struct Uart {
    received: Register<u32>,
    receive_data: Register<u32>,
    sent: Register<u32>,
    send_data: Register<u32>,
}

impl Uart {
    /// # Safety
    /// `base` must be the address of the UART, which nothing else uses.
    unsafe fn new(base: usize) -> Self {
        // SAFETY: the caller guarantees that the registers are there.
        let register = |offset| unsafe { Register::<u32>::new(base + offset) };
        register(ENABLE).write(ENABLED);
        register(START_RECEIVING).write(1);
        register(START_SENDING).write(1);
        Self {
            received: register(RECEIVED),
            receive_data: register(RECEIVE_DATA),
            sent: register(SENT),
            send_data: register(SEND_DATA),
        }
    }

    fn send(&mut self, byte: u8) {
        self.sent.write(0);
        self.send_data.write(u32::from(byte));
        while self.sent.read() == 0 {}
    }
}

impl SerialLine for Uart {
    fn receive(&mut self) -> u8 {
        while self.received.read() == 0 {}
        // Before the byte is taken, since that lets the next one in.
        self.received.write(0);
        self.receive_data.read() as u8
    }
}

impl fmt::Write for Uart {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        for byte in text.bytes() {
            if byte == b'\n' {
                self.send(b'\r');
            }
            self.send(byte);
        }
        Ok(())
    }
}

/// The peripherals in use.
#[derive(Debug)]
pub struct Board {
    /// The serial line to a person or a test.
    pub uart: Uart,
    /// The flash of the microcontroller, as far as it is for settings.
    pub flash: InternalFlash,
}

impl Board {
    /// Returns the peripherals the first time, and `None` ever after.
    pub fn take() -> Option<Self> {
        static TAKEN: AtomicBool = AtomicBool::new(false);
        // No interrupts are enabled, and there is one core. The smallest ones have no atomic swap.
        if TAKEN.load(Ordering::Relaxed) {
            return None;
        }
        TAKEN.store(true, Ordering::Relaxed);
        // SAFETY: addresses of this board, handed out once; the linker script keeps the program out
        // of the range of the settings.
        unsafe {
            Some(Self {
                uart: Uart::new(UART),
                flash: InternalFlash::new(FLASH_CONTROLLER, SETTINGS),
            })
        }
    }

    /// The serial line for the message of a panic.
    ///
    /// # Safety
    /// The previous owner must never use it again.
    pub unsafe fn last_words() -> Uart {
        // SAFETY: the caller guarantees that nothing else uses it.
        unsafe { Uart::new(UART) }
    }
}
