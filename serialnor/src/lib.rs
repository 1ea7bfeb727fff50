//! Driver for serial NOR flash chips on an SPI bus with one data line each way.
//!
//! Written against `embedded-hal` 1.0; the flash is offered by the `embedded-storage` traits. Size,
//! erase commands, page, times and address form come from the tables in the chip (SFDP, JESD216 through
//! D), corrected by a [`DataSheet`] of yours where they are missing or wrong. `no_std`, no
//! allocation, no `unsafe`.
//!
//! ```no_run
//! # fn run<SPI: embedded_hal::spi::SpiDevice, D: embedded_hal::delay::DelayNs>(spi: SPI, delay: D)
//! # -> Result<(), outlast_serialnor::Error<SPI::Error>> {
//! use embedded_storage::nor_flash::{NorFlash, ReadNorFlash};
//! use outlast_serialnor::{Options, SerialNor};
//!
//! // `spi` owns the chip select: a shared bus with one chip select per chip, SPI mode 0 or 3.
//! let mut flash: SerialNor<_, _> = SerialNor::new(spi, delay, Options::new())?;
//! flash.erase(0, 4096)?;
//! flash.write(0x10, b"hello")?;
//! let mut bytes = [0; 5];
//! flash.read(0x10, &mut bytes)?;
//! assert_eq!(&bytes, b"hello");
//! # Ok(()) }
//! ```
//!
//! The second pair of parameters of [`SerialNor`] are erase size and program unit of the traits:
//! `SerialNor<_, _, 65536>` for a chip that erases no less, `SerialNor<_, _, 4096, 16>` for one with error
//! correction in units of 16 bytes.
//!
//! # What it takes care of
//!
//! - A chip that is still busy, or asleep, because only the microcontroller was reset. It is waited
//!   for, woken, and never reset while busy, since that would tear the operation under way.
//! - Write enable is sent before each program and erase and seen to have latched; after it, a latch
//!   that still stands tells that the chip ignored the command. Both are silent on the chip's side.
//! - Protection bits are looked at before each program and erase.
//! - Waiting is done by short transactions with pauses between, so that others can use the bus. The
//!   times come from the tables, but never below 10 ms per page and 1 s to 7 s per erase, and never above
//!   60 s.
//! - A program never crosses the end of a page, where the chip would wrap to its start.
//! - Chips above 16 MiB are addressed by commands with four address bytes where the chip has them.
//!
//! # What it does not do
//!
//! Two and four data lines, memory-mapped reading, changing protection bits, suspending an erase,
//! erasing a whole chip by one command, sector maps. A mode with more data lines, continuous reading or a
//! suspended erase that earlier firmware left behind is not undone, unless [`Options::with_reset`] is
//! chosen and the chip hears it. `ERASE` and `WRITE` are yours to choose by the
//! data sheet. Error correction in a chip cannot be told from the tables.
//!
//! Nor does it:
//!
//! - clear failures that hold a chip busy until 30h, as on some chips whose status shows them in bits 5 and
//!   6: every call then ends in [`Error::StillBusy`], at the next start too, until the chip is reset by its
//!   pin or loses power;
//! - split reads at the borders of stacked dice, where some chips wrap to the start of the die;
//! - look at or change a bank or extended address register. One that earlier firmware left other than zero
//!   moves all addresses of three bytes.
//!
//! # Cautions
//!
//! - Erasing and programming destroy what is there. Check chip, address and range before the first write,
//!   above all on a chip that a boot loader or calibration data share.
//! - Use a [`DataSheet`] only from the data sheet of the very part, revision included: wrong erase types
//!   erase more than asked for, wrong address forms write elsewhere. Equal IDs do not mean equal parts.
//! - Of a chip larger than 16 MiB of which less is used, see [`DataSheet::with_capacity`] on the address mode
//!   that earlier firmware may have left. A chip in the mode of [`FourByte::Mode`], which some tables ask
//!   for too, keeps it when the microcontroller alone is reset: a boot program in ROM that reads by three
//!   address bytes may not start from it.
//! - A supply that fails during a program or erase leaves these bytes in any state, even one that reads
//!   well. Use code on top that reckons with it. Keep the supply within the data sheet's limits and hold
//!   the chip in reset, or stop writing, when it falls.
//! - Endurance and retention are those of the data sheet. Not for safety-critical use without your own
//!   qualification; follow the local rules and licensed practice that apply to your product.

#![no_std]
#![forbid(unsafe_code)]

mod addressing;
mod bus;
mod chip;
mod data_sheet;
mod driver;
mod erase;
mod error;
mod id;
mod nor_flash;
mod opcode;
mod options;
pub mod sfdp;
mod timeout;
mod write;

pub use addressing::Addressing;
pub use chip::Chip;
pub use data_sheet::{DataSheet, FourByte};
pub use driver::SerialNor;
pub use embedded_hal;
pub use embedded_storage;
pub use error::{Error, Work};
pub use id::JedecId;
pub use options::Options;
pub use sfdp::{EraseType, PowerDown, SfdpError, Times};
