//! The serial line: UART5, a 16550 whose registers are four bytes apart.

use core::fmt;

use cortex_m::interrupt::InterruptNumber;
use cortex_m::peripheral::NVIC;

use crate::console::SerialLine;
use crate::registers::Register;

const DATA: usize = 0x00;
const INTERRUPT_ENABLE: usize = 0x04;
const FIFO_CONTROL: usize = 0x08;
const LINE_CONTROL: usize = 0x0C;
const LINE_STATUS: usize = 0x14;

const RECEIVED: u32 = 1 << 0;
const ROOM_TO_SEND: u32 = 1 << 5;

#[derive(Clone, Copy)]
struct Uart5Interrupt;

// SAFETY: the number is fixed and valid on this board.
unsafe impl InterruptNumber for Uart5Interrupt {
    fn number(self) -> u16 {
        8
    }
}

/// The serial line: 8 bits, no parity, at the speed that the boot loader set.
#[derive(Debug)]
pub struct Uart {
    data: Register<u32>,
    line_status: Register<u32>,
}

impl Uart {
    /// Sets up the line.
    ///
    /// # Safety
    /// `base` must be the address of a 16550 that nothing else uses. Interrupts must stay masked in
    /// the core for ever, because there is no handler for them.
    pub unsafe fn new(base: usize) -> Self {
        // SAFETY: the caller guarantees that the registers are there.
        let register = |offset| unsafe { Register::new(base + offset) };
        register(LINE_CONTROL).write(0b11_u32);
        register(FIFO_CONTROL).write(0b111_u32);
        register(INTERRUPT_ENABLE).write(1_u32);
        // SAFETY: the caller masked interrupts in the core, so no handler ever runs.
        unsafe { NVIC::unmask(Uart5Interrupt) };
        Self { data: register(DATA), line_status: register(LINE_STATUS) }
    }

    fn send(&mut self, byte: u8) {
        while self.line_status.read() & ROOM_TO_SEND == 0 {}
        self.data.write(u32::from(byte));
    }
}

impl SerialLine for Uart {
    fn receive(&mut self) -> u8 {
        while self.line_status.read() & RECEIVED == 0 {
            // Although interrupts are masked, a pending one ends the sleep.
            cortex_m::asm::wfi();
            NVIC::unpend(Uart5Interrupt);
        }
        self.data.read() as u8
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
