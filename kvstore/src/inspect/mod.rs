//! Looks into an image without changing it, for tools on a computer.
//!
//! A [`Region`] holds a store's bytes as they were read out of a part. They may be cut short: what
//! was not read out counts as unreadable. Openings, slots, settle records and records are read with
//! the code of a mount, so a wrong bit is repaired here as it is there, and reported. To learn what
//! a mount makes of the image, call [`Store::open`](crate::Store::open) on a copy.

mod check;
mod dump;
mod opening;
mod record;
mod region;
mod shape;
mod slot;
mod walk;

pub use self::opening::{NotOpening, OPENING_BYTES, SectorInfo, opening};
pub use self::record::{Record, RecordKind, Repair, Settle, Tally, Value};
pub use self::region::{Region, Tag};
pub use self::shape::Shape;
pub use self::slot::{Decision, Slot};
pub use self::walk::{Event, Head, Successor};
