//! The parts of the example: its boards, the gauge, and the session over the serial line.
#![no_std]

#[cfg(target_arch = "arm")]
pub mod board;
pub mod chips;
pub mod console;
pub mod flash_bus;
pub mod gauge;
pub mod internal_flash;
pub mod internal_flash_board;
pub mod registers;
pub mod service;
pub mod session;
#[cfg(target_arch = "riscv32")]
pub mod sifive_board;
#[cfg(target_arch = "arm")]
pub mod uart;
