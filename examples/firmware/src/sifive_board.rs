//! A board with a RISC-V core and a full-duplex SPI controller: the SiFive U as QEMU 7.2 emulates it
//! (`hw/riscv/sifive_u.c`, `hw/ssi/sifive_spi.c`, `hw/char/sifive_uart.c`). Not tried on a real
//! board.

use core::convert::Infallible;
use core::fmt;
use core::sync::atomic::{AtomicBool, Ordering};

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{ErrorType, Operation, SpiDevice};

use crate::console::SerialLine;
use crate::registers::Register;

const UART: usize = 0x1001_0000;
const SPI: usize = 0x1004_0000;
/// Low word of the timer, which counts microseconds on this board.
const TIMER: usize = 0x0200_BFF8;

/// Waits by the timer, never shorter than requested.
#[derive(Debug)]
pub struct Delay(Register<u32>);

impl DelayNs for Delay {
    fn delay_ns(&mut self, ns: u32) {
        let start = self.0.read();
        // One more, since the current microsecond has begun.
        while self.0.read().wrapping_sub(start) <= ns.div_ceil(1000) {}
    }
}

/// The serial line, at the speed after a reset.
#[derive(Debug)]
pub struct Uart {
    send_data: Register<u32>,
    receive_data: Register<u32>,
}

impl Uart {
    const SEND_DATA: usize = 0x00;
    const RECEIVE_DATA: usize = 0x04;
    const SEND_CONTROL: usize = 0x08;
    const RECEIVE_CONTROL: usize = 0x0C;
    const ENABLE: u32 = 1;
    /// In the register for sending: it is full. In the one for receiving: it is empty.
    const NOT_READY: u32 = 1 << 31;

    /// # Safety
    /// `base` must be the address of the UART, which nothing else uses.
    unsafe fn new(base: usize) -> Self {
        // SAFETY: the caller guarantees that the registers are there.
        let register = |offset| unsafe { Register::<u32>::new(base + offset) };
        register(Self::SEND_CONTROL).write(Self::ENABLE);
        register(Self::RECEIVE_CONTROL).write(Self::ENABLE);
        Self { send_data: register(Self::SEND_DATA), receive_data: register(Self::RECEIVE_DATA) }
    }

    fn send(&mut self, byte: u8) {
        while self.send_data.read() & Self::NOT_READY != 0 {}
        self.send_data.write(u32::from(byte));
    }
}

impl SerialLine for Uart {
    fn receive(&mut self) -> u8 {
        loop {
            let received = self.receive_data.read();
            if received & Self::NOT_READY == 0 {
                return received as u8;
            }
        }
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

/// Chip select 0 of the SPI controller, which sends and receives at once.
#[derive(Debug)]
pub struct FlashBus {
    select: Register<u32>,
    send_data: Register<u32>,
    receive_data: Register<u32>,
    delay: Delay,
}

impl FlashBus {
    const SELECTED_CHIP: usize = 0x10;
    const SELECT_MODE: usize = 0x18;
    const SEND_DATA: usize = 0x48;
    const RECEIVE_DATA: usize = 0x4C;
    const MEMORY_MAPPED: usize = 0x60;
    /// Chip select goes with each byte; before the first one, the chip is not selected.
    const RELEASE: u32 = 0;
    const HOLD: u32 = 2;
    const NOT_READY: u32 = 1 << 31;

    /// # Safety
    /// `base` must be the address of the controller, which nothing else uses.
    unsafe fn new(base: usize, delay: Delay) -> Self {
        // SAFETY: the caller guarantees that the registers are there.
        let register = |offset| unsafe { Register::<u32>::new(base + offset) };
        register(Self::MEMORY_MAPPED).write(0);
        register(Self::SELECTED_CHIP).write(0);
        let mut bus = Self {
            select: register(Self::SELECT_MODE),
            send_data: register(Self::SEND_DATA),
            receive_data: register(Self::RECEIVE_DATA),
            delay,
        };
        bus.select.write(Self::RELEASE);
        bus
    }

    fn transfer(&mut self, byte: u8) -> u8 {
        while self.send_data.read() & Self::NOT_READY != 0 {}
        self.send_data.write(u32::from(byte));
        loop {
            let received = self.receive_data.read();
            if received & Self::NOT_READY == 0 {
                return received as u8;
            }
        }
    }
}

impl ErrorType for FlashBus {
    type Error = Infallible;
}

impl SpiDevice for FlashBus {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Infallible> {
        self.select.write(Self::HOLD);
        for operation in operations {
            match operation {
                Operation::Read(bytes) => bytes.fill_with(|| self.transfer(0)),
                Operation::Write(bytes) => bytes.iter().for_each(|byte| _ = self.transfer(*byte)),
                Operation::Transfer(read, write) => {
                    let sent = write.iter().copied().chain(core::iter::repeat(0));
                    let len = read.len().max(write.len());
                    for (index, byte) in sent.take(len).enumerate() {
                        let received = self.transfer(byte);
                        if let Some(place) = read.get_mut(index) {
                            *place = received;
                        }
                    }
                }
                Operation::TransferInPlace(bytes) => {
                    bytes.iter_mut().for_each(|byte| *byte = self.transfer(*byte));
                }
                Operation::DelayNs(ns) => self.delay.delay_ns(*ns),
            }
        }
        self.select.write(Self::RELEASE);
        Ok(())
    }
}

/// The peripherals in use.
#[derive(Debug)]
pub struct Board {
    /// The serial line to a person or a test.
    pub uart: Uart,
    /// The serial NOR chip.
    pub flash: FlashBus,
    /// The timer.
    pub delay: Delay,
}

impl Board {
    /// Returns the peripherals the first time, and `None` ever after.
    pub fn take() -> Option<Self> {
        static TAKEN: AtomicBool = AtomicBool::new(false);
        if TAKEN.swap(true, Ordering::Relaxed) {
            return None;
        }
        // SAFETY: addresses of this board, handed out once. The timer is only read.
        unsafe {
            let delay = || Delay(Register::new(TIMER));
            Some(Self { uart: Uart::new(UART), flash: FlashBus::new(SPI, delay()), delay: delay() })
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
