//! Power-loss-safe settings in NOR flash: a log-structured key-value store for microcontrollers.
//!
//! Records are appended to a log of sectors; the oldest sector's live records move into a spare
//! sector, which is the only thing ever erased. No sector is rewritten in place. Whatever moment
//! the power fails at, every acknowledged change is there at the next [`Store::open`], and the
//! change in flight is wholly there or not at all. `no_std`, no allocation, no `unsafe`.
//!
//! ```
//! use outlast_kvstore::{Change, Layout, Store};
//! # use outlast_kvstore::embedded_storage::nor_flash::*;
//! # struct Flash(Vec<u8>);
//! # #[derive(Debug)] struct Never;
//! # impl NorFlashError for Never { fn kind(&self) -> NorFlashErrorKind { NorFlashErrorKind::Other } }
//! # impl ErrorType for Flash { type Error = Never; }
//! # impl ReadNorFlash for Flash {
//! #     const READ_SIZE: usize = 1;
//! #     fn read(&mut self, at: u32, out: &mut [u8]) -> Result<(), Never> {
//! #         out.copy_from_slice(&self.0[at as usize..][..out.len()]); Ok(())
//! #     }
//! #     fn capacity(&self) -> usize { self.0.len() }
//! # }
//! # impl NorFlash for Flash {
//! #     const WRITE_SIZE: usize = 1;
//! #     const ERASE_SIZE: usize = 4096;
//! #     fn erase(&mut self, from: u32, to: u32) -> Result<(), Never> {
//! #         self.0[from as usize..to as usize].fill(0xFF); Ok(())
//! #     }
//! #     fn write(&mut self, at: u32, bytes: &[u8]) -> Result<(), Never> {
//! #         for (cell, byte) in self.0[at as usize..].iter_mut().zip(bytes) { *cell &= byte } Ok(())
//! #     }
//! # }
//! # let flash = Flash(vec![0xFF; 4 * 4096]);
//!
//! let layout = Layout::serial_nor();
//! let mut store: Store<_, 64> = Store::open(flash, layout)?;
//! store.put("radio.channel", &[11])?;
//! let mut buffer = [0; 32];
//! assert_eq!(store.get("radio.channel", &mut buffer)?, Some(&[11][..]));
//! store.commit(&[Change::put("net.address", &[10, 0, 0, 7]), Change::delete("net.lease")])?;
//! assert!(store.delete("radio.channel")?);
//! # Ok::<(), outlast_kvstore::Error<Never>>(())
//! ```
//!
//! # What the flash driver must do
//!
//! - `write` and `erase` return only when the operation is complete.
//! - A unit reads `0xFF` after an erase; programming clears bits only.
//! - Zeros may be programmed over anything: the store does so at every open, to make what an
//!   interrupted operation left unreadable for good. Parts that forbid even that are not served.
//!
//! # Limits
//!
//! Keys of 1 to 64 bytes; values up to what one sector holds less about 60 bytes. Each open uses a
//! page of the head, since the last program before a power cut is never trusted. Damage to
//! records at rest is reported when they are read, see [`Error::Corrupt`].
//!
//! # Features
//!
//! - `crc-table`: a table of 1 KiB makes checks several times faster; `crc-hardware`: the
//!   instruction of computers, with the standard library.
//! - `counters`: counters that tick for a part of a record each, [`Store`]'s `tick`; and `Ids`. A
//!   firmware without this feature refuses to open a store in whose log such a counter still
//!   stands.
//! - `settings`: typed settings with defaults, ranges and migrations, the module `settings`. Needs
//!   `serde` and `postcard-schema` in the firmware's own dependencies, for the derives.
//! - `json`: settings as JSON lines, for tools on the host; needs the standard library.
//! - `inspect`: looks into images on a computer. Not for firmware.

#![no_std]
#![forbid(unsafe_code)]

#[cfg(feature = "json")]
extern crate std;

mod change;
#[cfg(feature = "counters")]
mod counters;
mod error;
mod flash;
mod format;
mod index;
#[cfg(feature = "inspect")]
pub mod inspect;
mod layout;
mod log;
mod recover;
mod region;
#[cfg(feature = "settings")]
pub mod settings;
mod since;
mod store;

pub use change::Change;
#[cfg(feature = "counters")]
pub use counters::ids::Ids;
pub use embedded_storage;
pub use error::{Error, Found};
pub use layout::Layout;
pub use region::{Region, RegionError};
pub use since::ChangeMark;
pub use store::{Store, Usage};
