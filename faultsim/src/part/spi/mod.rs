//! The part behind its serial bus: commands, busy time, and what a microcontroller reset leaves.
//!
//! [`SpiChip`] is an SPI device of `embedded-hal` over a [`super::Part`], with the cells,
//! tears and cuts of the part: a program or erase command becomes steps of the part when its busy time is
//! over. Modelled are the status register, the write enable latch, deep power-down, the wrap within a
//! page, ignored low address bits of an erase, block protection, address modes, reset, and the tables in
//! the chip. While the chip is busy or asleep it ignores what real ones ignore, and its data line
//! floats.
//!
//! Power goes at a step of the part, as ever, or at any byte on the bus or pause between transactions
//! ([`super::BusCut`]), where also the microcontroller alone may be reset.
//!
//! Sources: ISSI IS25LP/WP128F data sheet rev. A8 (busy, page wrap, reset), Micron MT25QL256 (latch,
//! incomplete commands), ST M25P20 (latch, deep power-down), JESD216 (tables).

mod bus_error;
mod commands;
mod device;
pub mod planted;
mod profile;
#[cfg(test)]
mod tests;

pub use bus_error::BusError;
pub use device::{Pause, SpiChip};
pub use profile::Profile;
