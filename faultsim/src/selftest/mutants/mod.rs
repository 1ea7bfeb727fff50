//! A small log store that is right, and what becomes of it when something is left out.
//!
//! It is here to prove the rig: each [`bug::Bug`] is a mistake that real storage code makes, and
//! the rig has to see every one of them, and nothing in the store without them. It is no product:
//! it keeps everything in RAM, one sector holds all settings, and it programs single bytes.
//!
//! How it works. Sectors take turns as *head*. A sector is erased right before it becomes head;
//! its opening has a sequence number and a check, behind it the live settings are copied, and
//! then the *mark* is programmed to zero: from then on it counts. Changes are appended, one
//! record in one program call, each within a page. After a cut the last program is suspect even
//! if it reads well, and one may have been made that does not show. So every mount, before it
//! reports anything, passes over the pages that can be meant, marks a blank one with a *trace*
//! and programs a *settle* record there: all settings as this mount saw them. The last settle
//! record of a sector rules. Where there is no room for one, the mount turns to the next sector.
//! Openings are made void by zeros before anything relies on their not counting.
//!
//! Known flaw: a new head whose mark and then whose voiding were both cut can count in one power-up and
//! not read in the next, when the old head is void already; met with 2 x 384 bytes at F3, two cuts. The
//! settle record would have to carry the opening's facts and to come before the voiding.

mod append;
pub mod bug;
pub mod cases;
mod codec;
mod mount;
mod reference;
mod slips;
mod store;
mod walk;

pub use reference::{Reference, by_name};
pub use store::ReferenceStore;
