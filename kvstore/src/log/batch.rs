//! A record, or a commit and the records of its batch: how they take effect.

use embedded_storage::nor_flash::NorFlash;

use super::log_end::Suspect;
use super::state::Core;
use crate::flash::reader::{Examined, KeyBytes, Place};
use crate::format::record::{Kind, RecordRef};
use crate::index::Index;

/// Called with each put or delete that takes effect with a record, and its key. Returns whether to
/// go on.
pub(crate) type EachChange<'a, C> = dyn FnMut(&mut C, RecordRef, &[u8]) -> bool + 'a;

impl<F: NorFlash> Core<F> {
    /// Lets a record take effect on the index: the record itself or, for a commit, the records of
    /// its batch.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn apply(&mut self, record: &Suspect, index: &mut Index) {
        self.each_change(record, &mut |core, found, key| {
            core.apply_change(found, key, index);
            true
        });
    }

    /// Steps through the puts and deletes that take effect with a record. Returns whether each call
    /// of `each` did.
    ///
    /// Deletes come first, so that the index never holds more keys than it did when the batch was
    /// made. A batch names each key once.
    // Outlined, since several callers share it.
    #[inline(never)]
    pub(crate) fn each_change(
        &mut self,
        record: &Suspect,
        each: &mut EachChange<'_, Self>,
    ) -> bool {
        let Suspect { found, extent: (start, end) } = *record;
        let kind = found.header.kind();
        let mut key: KeyBytes = [0; _];
        if kind != Kind::Commit {
            if !matches!(kind, Kind::Put | Kind::Delete | Kind::Tally | Kind::Lost) {
                return true;
            }
            let place = Place { proven: false, ..self.place_at(found.address) };
            let examined = self.read_key(&place, &mut key);
            let key = key.get(..found.header.key_len() as usize).unwrap_or(&[]);
            return examined.is_some_and(|e| e.whole && e.found == found) && each(self, found, key);
        }
        for wanted in [Kind::PendingDelete, Kind::PendingPut] {
            let mut at = start;
            while at < end {
                let place = self.place_at(at);
                let Some(Examined { found, whole }) = self.read_key(&place, &mut key) else {
                    break;
                };
                at = self.medium.geometry.next_place(found);
                let key = key.get(..found.header.key_len() as usize).unwrap_or(&[]);
                if whole && found.header.kind() == wanted && !each(self, found, key) {
                    return false;
                }
            }
        }
        true
    }

    /// Reads the record at a place and its key.
    // Outlined, since several callers share it.
    #[inline(never)]
    pub(crate) fn read_key(&mut self, place: &Place, key: &mut KeyBytes) -> Option<Examined> {
        self.medium.examine(place, &mut |medium, found, at, bytes| {
            medium.gather_key(found, at, bytes, key);
        })
    }
}
