//! Typed settings: declared once, checked on the way in, never misread on the way out.
//!
//! A setting is a constant: key, default, what is allowed. Its type is anything that derives
//! serde's traits and `postcard_schema::Schema`: numbers, floats, `heapless` strings and lists,
//! arrays, options, enums, nested structs. Alone in its record it is stored as
//!
//! | bytes | content |
//! |---|---|
//! | 4 | fingerprint of the type, little-endian |
//! | | the value in the postcard format, version 1 |
//!
//! so a setting costs 4 bytes more flash than the bytes of its value. The fingerprint changes when
//! a field or variant is added, removed, renamed, moved or changes its type; then a load reports
//! [`Why::OtherType`] instead of guessing, and a closure turns the old value into the new one.
//!
//! No call panics, and no code that could is linked, as long as the types' own code does not.
//!
//! ```
//! use outlast_kvstore::settings::{Setting, SettingBatch, Source};
//! use serde::{Deserialize, Serialize};
//! use postcard_schema::Schema;
//! # use outlast_kvstore::{Layout, Store};
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
//! #[derive(Clone, Debug, PartialEq, Serialize, Deserialize, Schema)]
//! struct Alarm { low_mm: i16, high_mm: i16 }
//!
//! const CHANNEL: Setting<u8> = Setting::new("radio.channel", || 11)
//!     .checked("11 to 26", |channel| (11..=26).contains(channel));
//! // A group of settings is one struct: saved in one piece, checked as a whole.
//! const ALARM: Setting<Alarm> = Setting::new("alarm", || Alarm { low_mm: -50, high_mm: 310 })
//!     .checked("low below high", |alarm| alarm.low_mm < alarm.high_mm);
//!
//! let mut store: Store<_, 64> = Store::open(flash, Layout::serial_nor())?;
//! let channel = CHANNEL.load(&mut store)?;
//! assert_eq!((channel.value, channel.source), (11, Source::Default));
//! CHANNEL.save(&mut store, &15)?;
//! assert!(CHANNEL.save(&mut store, &27).is_err());
//! // Several settings, all or none:
//! let mut buffer = [0; 64];
//! SettingBatch::<2>::new(&mut buffer)
//!     .set(&CHANNEL, &20)
//!     .set(&ALARM, &Alarm { low_mm: -80, high_mm: 280 })
//!     .commit(&mut store)?;
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod batch;
mod encode;
mod error;
mod fingerprint;
#[cfg(feature = "json")]
mod json;
mod setting;
mod transfer;

pub use batch::SettingBatch;
pub use error::{SettingError, Why};
#[cfg(feature = "json")]
pub use json::{JsonError, export_json, import_json};
pub use setting::{Loaded, Old, Setting, Source, Value};
pub use transfer::{Declared, ImportError, export, import};
