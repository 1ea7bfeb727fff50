//! A small log store that is correct, and the mutants of it: the same store with one planted
//! mistake each.
//!
//! It exists to prove the rig. Each [`bug::Bug`] is a mistake that real storage code makes; the rig
//! has to see every one of them, and nothing in the store without them. It is not a product: it
//! keeps everything in RAM, one sector holds all settings, and it programs single bytes.
//!
//! How it works: the sectors become *head* in rotation. A sector is erased right before it becomes
//! head. It gets an opening with a sequence number and a check; after the opening the live settings
//! are copied, and then the *mark* is programmed to zero. From then on the sector counts. Changes
//! are appended, each record in one program call and within one page.
//!
//! After a cut the last program is suspect even if it reads well, and there may have been one more
//! that does not show. So every mount, before it reports anything, passes over the pages that may
//! be affected, marks a blank one with a *trace* and programs a *settle* record there, which has
//! all settings as this mount saw them. The last settle record of a sector is the one that counts.
//! If there is no room for one, the mount moves to the next sector. Openings are made void by
//! programming zeros before anything relies on their not counting.
//!
//! Known flaw: suppose that the mark of a new head was cut, and then the voiding of that head was
//! cut too. The new head may count in one power-up and be unreadable in the next, when the old head
//! is already void. This was met with 2 x 384 bytes at F3 and two cuts. To fix it, the settle
//! record would have to carry the contents of the opening and be written before the voiding.

mod append;
pub mod bug;
mod bug_effects;
pub mod cases;
mod codec;
mod mount;
mod reference;
mod store;
mod walk;

pub use reference::{Reference, by_name};
pub use store::ReferenceStore;
