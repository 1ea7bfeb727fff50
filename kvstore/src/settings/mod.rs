//! Typed settings: declared once, checked when saved, and never misread when loaded.
//!
//! A setting is a constant with a key, a default, and a rule for the values that are allowed. Its
//! type is anything that derives serde's traits and `postcard_schema::Schema`: numbers, `heapless`
//! strings and lists, arrays, options, enums, nested structs. In its record it is stored as
//!
//! | bytes | content |
//! |---|---|
//! | 4 | fingerprint of the type, little-endian |
//! | | the value in the postcard format, version 1 |
//!
//! so a setting costs 4 bytes of flash more than the bytes of its value. The fingerprint changes
//! when a field or variant is added, removed, renamed or moved, or when its type changes. A load
//! then reports [`Why::OtherType`] instead of guessing, and a closure can turn the old value into
//! the new one.
//!
//! No call panics, and no code that could panic is linked, as long as the types' own code does not.
//!
//! ```
//! use outlast_kvstore::settings::{Setting, SettingBatch, Source};
//! use outlast_kvstore::settings::postcard_schema::{self, Schema};
//! use outlast_kvstore::settings::serde::{Deserialize, Serialize};
//! # use outlast_kvstore::{Layout, Store};
//! # mod flash { include!(concat!(env!("CARGO_MANIFEST_DIR"), "/src/doc_flash.rs")); }
//! # let flash = flash::Flash::blank();
//!
//! #[derive(Clone, Debug, PartialEq, Serialize, Deserialize, Schema)]
//! #[serde(crate = "outlast_kvstore::settings::serde")]
//! #[postcard(crate = postcard_schema)]
//! struct Alarm { low_mm: i16, high_mm: i16 }
//!
//! const CHANNEL: Setting<u8> = Setting::new("radio.channel", || 11)
//!     .checked("11 to 26", |channel| (11..=26).contains(channel));
//! // A group of settings is one struct, which is saved in one piece and checked as a whole.
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
//!
//! # Damage
//!
//! A load says where its value comes from. [`Loaded::doubtful`] is set if a newer value may have
//! been lost to damage, so that a device can act on it; a damaged value itself is an error, and
//! [`Setting::load_or_default`] gives the default beside it.
//!
//! # Derives
//!
//! Plain numbers, strings and lists need no derive. For types of your own there are two ways:
//!
//! - Use the crates that this module re-exports, [`serde`] and [`postcard_schema`], and name them
//!   in the two attributes of the example: a derive looks for its crate at the top level otherwise.
//!   Your `Cargo.toml` needs no line for either crate.
//! - Or add both to your own dependencies, with `default-features = false, features = ["derive"]`.
//!   Then the two attributes are not needed.

mod batch;
mod encode;
mod error;
mod fingerprint;
#[cfg(feature = "json")]
mod json;
#[cfg(feature = "json")]
mod json_value;
mod readable;
mod setting;
mod transfer;

/// The crate whose `Schema` every type of a setting derives.
pub use ::postcard_schema;
/// The crate whose `Serialize` and `Deserialize` every type of a setting derives.
pub use ::serde;
pub use batch::SettingBatch;
pub use error::{SettingError, Why};
#[cfg(feature = "json")]
pub use json::{JsonError, export_json, import_json};
pub use readable::Readable;
pub use setting::{Loaded, Old, Setting, Source, Value};
pub use transfer::{Declared, ImportError, export, import};
