//! A record, or a commit and the records of its batch: how they take effect.

use embedded_storage::nor_flash::NorFlash;

use super::log_end::Suspect;
use super::state::Core;
use crate::format::bytes::copy;
use crate::format::crc::crc32c;
use crate::format::record::{Kind, MAX_KEY, RecordRef};
use crate::index::Index;

/// Steps through the puts and deletes that take effect with a record: the record itself or, for a
/// commit, the records of its batch.
///
/// Deletes come first, so that the index never holds more keys than it did when the batch was made.
/// A batch names each key once.
pub(crate) struct Changes {
    /// The current put or delete.
    pub(crate) found: RecordRef,
    /// The kind to look for next; at first that of the record itself.
    wanted: Kind,
    /// Addresses of the start and end of the batch.
    extent: (u32, u32),
    /// The part of it that was not seen yet.
    rest: (u32, u32),
}

impl Changes {
    pub(crate) const fn of(record: &Suspect) -> Self {
        let Suspect { found, extent } = *record;
        // A pending record alone has no effect.
        let wanted = match found.header.kind() {
            kind if kind.is_pending() => Kind::Seal,
            kind => kind,
        };
        Self { found, wanted, extent, rest: extent }
    }
}

impl<F: NorFlash> Core<F> {
    /// Lets a record take effect on the index. `start` is the first part of its key, if that was
    /// read already. A key that cannot be read counts as empty: the record will turn out to be
    /// damaged when it is read.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn apply(&mut self, record: &Suspect, start: &[u8], index: &mut Index) {
        // For a commit, the keys to read are those of its batch.
        let start = if record.found.header.kind() == Kind::Commit { &[] } else { start };
        let mut changes = Changes::of(record);
        while self.next_change(&mut changes) {
            let found = changes.found;
            let mut bytes = [0; MAX_KEY];
            let mut key = bytes.get_mut(..found.header.key_len() as usize).unwrap_or(&mut []);
            copy(key, start);
            let at = self.medium.geometry.key_at(found) + start.len() as u32;
            if let Some(rest) = key.get_mut(start.len()..)
                && !rest.is_empty()
                && !self.medium.read(at, rest)
            {
                key = &mut [];
            }
            self.apply_change(found, key, crc32c(key), index);
        }
    }

    /// Moves to the next put or delete, and returns whether there was one.
    pub(crate) fn next_change(&mut self, changes: &mut Changes) -> bool {
        loop {
            match changes.wanted {
                Kind::Tally | Kind::Put | Kind::Delete => {
                    changes.wanted = Kind::Seal;
                    return true;
                }
                Kind::Commit => {
                    changes.wanted = Kind::PendingDelete;
                    changes.rest = changes.extent;
                }
                Kind::PendingDelete | Kind::PendingPut => {
                    if let Some(found) = self.next_in_batch(&mut changes.rest) {
                        changes.found = found;
                        if found.header.kind() == changes.wanted {
                            return true;
                        }
                    } else if changes.wanted == Kind::PendingDelete {
                        changes.wanted = Kind::PendingPut;
                        changes.rest = changes.extent;
                    } else {
                        return false;
                    }
                }
                Kind::Settle | Kind::Seal => return false,
            }
        }
    }

    /// The next record of a batch. `at` moves to the record after it.
    pub(crate) fn next_in_batch(&mut self, (at, end): &mut (u32, u32)) -> Option<RecordRef> {
        if *at >= *end {
            return None;
        }
        let found = self.medium.header(*at, *end);
        if let Some(found) = &found {
            *at = self.medium.geometry.next_place(*found);
        } else {
            self.log.damaged += 1;
        }
        found
    }
}
