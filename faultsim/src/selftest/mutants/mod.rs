//! A small log store that is correct, and the mutants of it: the same store with one planted
//! mistake each.
//!
//! It exists to prove the rig. Each [`bug::Bug`] is a mistake that real storage code makes; the rig
//! has to see every one of them, and nothing in the store without them. It is not a product: it
//! keeps everything in RAM, one sector holds all settings, and it programs single bytes.
//!
//! How it works: the sectors become *head* in rotation. A sector is erased right before it becomes
//! head. It gets an opening with a sequence number and a check; after the opening the live settings
//! are copied. Then the old head decides: it programs IN into the next of its *slots*, and from
//! then on the new sector counts. Last comes a *seal* in the new sector, which is begun when the
//! decision is complete, and makes the new head sure without the old one. Changes are appended,
//! each record in one program call and within one page. Every unit is programmed once between two
//! erases, and every program is read back.
//!
//! After a cut the last program is suspect even if it reads well, and there may have been one more
//! that does not show. So a mount, before it reports anything, passes over the pages that may be
//! affected, programs the *tag* of a blank one and then a *settle* record there, which has all
//! settings as this mount saw them, and the number of slots used so far: what they hold is denied.
//! The last settle record of a sector is the one that counts. If there is no room for one, the
//! mount moves to the next sector. Before it erases that, it programs OUT into a slot of the head,
//! which says that this is the head itself and that the next sector is not. If the head is known
//! only from a decision of the sector before, a mount first repeats that decision, in the next
//! slot.
//!
//! A mount that has settled the log appends a *rest* record with a blank flag after it. The same
//! power-up programs the flag before it writes anything else. A mount that finds a rest record at
//! the end, with a blank flag, writes nothing; if something is changed later, it settles first.
//!
//! Known limit: a sector has eight slots. After seven mounts in a row that were cut while they
//! decided, no slot is left, and later mounts may not agree about the head. The rig makes at most
//! three cuts in a history of this store.

mod append;
pub mod bug;
mod bug_effects;
pub mod cases;
mod codec;
mod head;
mod mount;
mod reference;
mod slots;
mod store;
mod walk;

pub use reference::{Reference, by_name};
pub use store::ReferenceStore;
