//! The part on its serial bus: commands, busy time, and what a microcontroller reset leaves.
//!
//! [`SpiChip`] is an SPI device of `embedded-hal` over a [`super::Part`], with the cells, tears and
//! cuts of the part. A program or erase command becomes steps of the part when its busy time is
//! over. The model has the status register, the write enable latch, deep power-down, the wrap
//! within a page, the ignored low address bits of an erase, block protection, address modes, reset,
//! and the tables in the chip. While the chip is busy or asleep, it ignores what real chips ignore,
//! and its data line floats.
//!
//! Power is cut at a step of the part, as elsewhere, or at any byte on the bus or pause between
//! transactions ([`super::BusCut`]). There, the microcontroller alone may also be reset, or the
//! supply of the part alone fail for a moment. Single commands get lost or are misread by
//! [`glitch`].
//!
//! Sources: ISSI IS25LP/WP128F data sheet rev. A8 (busy, page wrap, reset), Micron MT25QL256
//! (latch, incomplete commands), ST M25P20 (latch, deep power-down), JESD216 (tables).

mod bus_error;
mod commands;
mod device;
pub mod glitch;
pub mod planted;
mod profile;
#[cfg(test)]
mod tests;
mod work;

pub use bus_error::BusError;
pub use device::{Pause, SpiChip};
pub use profile::Profile;
