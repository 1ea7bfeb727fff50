//! The parts of the example: its board, the gauge, and the session over the serial line.
#![no_std]

pub mod board;
pub mod chips;
pub mod console;
pub mod flash_bus;
pub mod gauge;
pub mod registers;
pub mod session;
pub mod uart;
