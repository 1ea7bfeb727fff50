//! Power-loss-safe settings in NOR flash: a log-structured key-value store for microcontrollers.
//!
//! The store never rewrites a sector in place. It appends records to a log, and moves the oldest
//! sector's live records to a spare sector, which is the only thing that it ever erases. Whenever
//! the power fails, every change that was acknowledged is there at the next [`Store::open`], and
//! the change in flight is there wholly or not at all. `no_std`, no allocation, no `unsafe`, no
//! panic.
//!
//! ```
//! # mod flash { include!(concat!(env!("CARGO_MANIFEST_DIR"), "/src/doc_flash.rs")); }
//! # let flash = flash::Flash::blank();
//! use outlast_kvstore::{Change, Layout, Store};
//!
//! // Up to 64 keys:
//! let mut store: Store<_, 64> = Store::open(flash, Layout::serial_nor())?;
//! store.put("radio.channel", &[11])?;
//! let mut buffer = [0; 32];
//! let channel = store.get("radio.channel", &mut buffer)?;
//! assert_eq!(channel, Some(&[11][..]));
//! // All or nothing:
//! store.commit(&[
//!     Change::put("net.address", &[10, 0, 0, 7]),
//!     Change::delete("net.lease"),
//! ])?;
//! assert!(store.delete("radio.channel")?);
//! # Ok::<(), outlast_kvstore::Error<flash::Never>>(())
//! ```
//!
//! # From a flash to a running store
//!
//! **1. Choose the flash.** The store works on any type that implements the trait
//! [`NorFlash`](embedded_storage::nor_flash::NorFlash) of the crate [`embedded_storage`].
//!
//! | the settings live in | the flash type | the layout |
//! |---|---|---|
//! | a serial NOR chip on SPI | `SerialNor` of the crate `outlast-serialnor` | [`Layout::serial_nor`] |
//! | the microcontroller's own flash | the `NorFlash` type of its HAL | [`Layout::of`] |
//! | a file or memory, on a computer | `FileFlash` or `Ram` of the crate `outlast-image` | that of the device |
//!
//! The driver and the part must keep these rules:
//!
//! - `write` and `erase` return only when the operation is complete.
//! - A unit reads `0xFF` after an erase, and programming clears bits only.
//!
//! The store programs each unit once between two erases, so parts with error correction, and parts
//! that limit the programs of a word, will do. There is one exception, which no store can avoid:
//! where a power-up was interrupted while it programmed zeros over a unit, and the unit still reads
//! blank, a later power-up programs the same zeros again. No value is read from such units.
//!
//! **2. Choose the layout.** A [`Layout`] says which range of the flash belongs to the store (its
//! *region*), and how that is divided. It must be the same at every open.
//!
//! - *Range*: [`with_range`](Layout::with_range). Use at least two sectors of equal size; one of
//!   them is always the spare. Four are a good start. More sectors mean less wear, and more room.
//!   Keep everything else out of the range, above all the program: reserve the range in the linker
//!   script.
//! - *Sector*: [`with_sector_bytes`](Layout::with_sector_bytes). Usually the smallest unit that the
//!   part can erase; at least 512 bytes, and at least four pages.
//! - *Page*: [`with_page_bytes`](Layout::with_page_bytes). The range that one program operation of
//!   the part can touch, from the data sheet. If in doubt, choose the larger value.
//!
//! ```
//! # mod flash { include!(concat!(env!("CARGO_MANIFEST_DIR"), "/src/doc_flash.rs")); }
//! # use flash::Flash;
//! use outlast_kvstore::Layout;
//!
//! // The last 16 KiB of a serial NOR chip of 8 MiB:
//! let chip = Layout::serial_nor().with_range(0x7F_C000..0x80_0000);
//! // The last 8 KiB of 256 KiB in a microcontroller (`Flash` is its HAL's type):
//! let internal = Layout::of::<Flash>().with_range(0x3_E000..0x4_0000);
//! ```
//!
//! **3. Open the store, and decide what each error means for your device.**
//!
//! | `open` returns | what happened | who acts |
//! |---|---|---|
//! | [`Error::Layout`] | the layout does not fit the flash; the text says why | the programmer |
//! | [`Error::NotAStore`] with [`Found::ForeignData`] | the range holds other data, or a store too damaged to open | whoever owns the data: [`format`](Store::format) only if nobody needs it |
//! | [`Error::NotAStore`] with [`Found::OtherLayout`] | a store with another layout or range | the programmer: use that layout, or migrate |
//! | [`Error::NotAStore`] with [`Found::NewerFormat`] | a store of newer firmware | the updater: a downgrade must not destroy it |
//! | [`Error::NotAStore`] with [`Found::OlderFormat`] | a store of older firmware | the updater: bring the old code along to read it, or give the settings up |
//! | [`Error::NotAStore`] with [`Found::Counters`] | a store with counters | the programmer: enable the feature `counters` |
//! | [`Error::IndexFull`] | the store holds more than `N` keys | the programmer: a larger `N` |
//! | [`Error::Flash`] | the driver failed | the firmware: try again, then report the part as faulty |
//! | [`Error::Worn`] | the flash does not keep what is written | the firmware: report the part as faulty |
//! | [`Error::Corrupt`], [`Error::Full`] | the range holds a log that no store leaves | the firmware: report the part as faulty |
//!
//! A blank range is not an error: `open` makes a new store in it. No error of `open` destroys
//! settings.
//!
//! ```
//! # mod flash { include!(concat!(env!("CARGO_MANIFEST_DIR"), "/src/doc_flash.rs")); }
//! use outlast_kvstore::embedded_storage::nor_flash::NorFlash;
//! use outlast_kvstore::{Error, Found, Layout, Store};
//!
//! type Settings<F> = Store<F, 64>;
//!
//! /// Opens the settings. Foreign data may be a damaged store, so replaces it only if the user
//! /// agreed.
//! fn open<F: NorFlash>(flash: F, may_format: bool) -> Result<Settings<F>, Error<F::Error>> {
//!     let layout = Layout::serial_nor();
//!     let mut store = Store::new(flash, &layout)?;
//!     match store.mount() {
//!         Ok(()) => Ok(store),
//!         Err(Error::NotAStore(Found::ForeignData)) if may_format => {
//!             Store::format(store.into_flash(), layout)
//!         }
//!         Err(error) => Err(error),
//!     }
//! }
//! # let mut old = flash::Flash::blank();
//! # old.0[5] = 7;
//! # assert_eq!(open(old, true)?.usage().keys, 0);
//! # Ok::<(), Error<flash::Never>>(())
//! ```
//!
//! Keep one store for the whole run. It takes at most 128 bytes of RAM, and 8 bytes per key that it
//! may hold, besides the driver. A store in a static is made with [`Store::new`] and
//! [`Store::mount`], which need less stack than [`Store::open`].
//!
//! **4. Call [`Store::rest`] before a planned power-off.** Then the next open programs nothing.
//! Without it, an open after a power-up that wrote takes a page of the flash.
//!
//! # How long the calls take
//!
//! Every call blocks until its flash work is done. An erase takes far longer than a program: on
//! many serial NOR chips tens to hundreds of milliseconds, see the data sheet of your part.
//!
//! | call | usual flash work | now and then |
//! |---|---|---|
//! | [`get`](Store::get) | a read per 64 bytes of record | |
//! | [`put`](Store::put), [`delete`](Store::delete) | a program call per page or 256 bytes of record | a compaction |
//! | [`commit`](Store::commit) | the same for each change, and a program call for the commit | a compaction |
//! | [`open`](Store::open) | reads of all records; three programs if the power-up before wrote and did not rest | a compaction |
//! | [`rest`](Store::rest) | one program | |
//! | [`clear`](Store::clear) | one erase, seven programs | |
//! | [`usage`](Store::usage) | none | |
//!
//! Everything that is programmed is read back. The first change after a rest takes a program of one
//! unit more.
//!
//! A *compaction* is needed when the head is full: a copy of the oldest sector's live records, seven
//! programs, and one erase, that of the next spare. An open leaves this erase to the first change
//! after it. [`Store::tidy`] does this work in advance: call it in idle time, and no `put` has to
//! wait for it. The command `outlast plan` computes the longest wait of a `put`, and the wear, from
//! the times in a data sheet.
//!
//! # How it works
//!
#![doc = include_str!("log.svg")]
//!
//! The sectors form a log. The *head* takes new records, the *tail* is the oldest sector, and the
//! *spare* is the sector after the head. When the head is full, a compaction copies the tail's live
//! records into the spare, and makes it the new head; the tail becomes the next spare, and is
//! erased. A *spare record* in the head says so, since flash that reads blank does not prove that
//! its erase was completed. So all sectors wear evenly, with one erase for each compaction.
//!
//! After a power-up the last record may be one whose program was interrupted. So the open writes a
//! *settle record* to a fresh page. It says where the log ends, and carries a copy of the last
//! record if that is accepted. A *rest record* follows it. While nothing was written after that, an
//! open programs nothing. A small index in RAM, a hash and an address per key, finds the records.
//!
#![cfg_attr(doc, doc = "The [format in flash](format_in_flash) is specified byte by byte.")]
//!
//! # Limits
//!
//! - A key has 1 to 64 bytes. In a sector of 4 KiB, key and value together can have 3,918 bytes at
//!   unit 1 and pages of 256 bytes, less with larger units or smaller pages.
//! - An open after a power-up that wrote, and did not [`rest`](Store::rest), takes a page of the
//!   head, since the last program before a power cut is never trusted.
//! - One wrong bit in a record is corrected when it is read. More are damage: usually
//!   [`Error::Corrupt`] or [`Usage::doubtful`], but damage of several bytes can also bring an older
//!   value back without an error.
//! - One sector that cannot be erased or takes no programs is passed over, if there are at least
//!   three and the store is not too full. Otherwise changes fail with [`Error::Worn`] or
//!   [`Error::Flash`] when the log comes to it.
//!
//! # Features
//!
//! - `crc-table`: a table of 1 KiB that makes checks several times faster.
//! - `crc-hardware`: the processor's instruction instead, on computers. Needs the standard library.
//! - `counters`: counters whose increments cost a fraction of a record each ([`Store`]'s `tick`),
//!   and `Ids`. Firmware without this feature refuses to open a store whose log still holds such a
//!   counter.
//! - `settings`: typed settings with defaults, ranges and migrations, in the module `settings`.
//! - `json`: settings as JSON lines, for tools on a computer. Needs the standard library.
//! - `inspect`: looks into images on a computer. Not for firmware: it allocates.
//!
//! # Examples
//!
//! The workspace has whole programs, which run on a simulated part: `cargo run --release --example`
//! with `settings` (a power cut in a batch), `serial_chip` (the driver and a range of a chip),
//! `tide_gauge` (typed settings and a migration), `counters` (wear in a year), `byte_region` (code
//! that was written for an EEPROM), `grow` (a store that moves to a larger range), and `own_store`
//! (a store of your own under test). `examples/firmware` is a firmware for a Cortex-M4, which runs
//! in an emulator.

#![no_std]
#![forbid(unsafe_code)]

#[cfg(feature = "inspect")]
extern crate alloc;
#[cfg(feature = "json")]
extern crate std;

mod change;
mod copy;
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
mod read_only;
mod reads;
mod recover;
mod region;
mod scrub;
#[cfg(feature = "settings")]
pub mod settings;
mod since;
mod store;
mod view;

#[cfg(doc)]
#[doc = concat!("[picture]: crate#how-it-works\n\n", include_str!("../FORMAT.md"))]
pub mod format_in_flash {}

pub use change::Change;
pub use copy::{CopyError, CopySummary};
#[cfg(feature = "counters")]
pub use counters::ids::Ids;
pub use embedded_storage;
pub use error::{Error, Found};
pub use layout::Layout;
pub use read_only::{ReadOnly, ReadOnlyError};
pub use reads::Item;
pub use region::{Region, RegionError};
pub use scrub::Scrubbed;
pub use since::ChangeMark;
pub use store::{Store, Usage};
pub use view::View;
