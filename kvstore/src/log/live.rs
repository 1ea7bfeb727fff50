//! How much of the log is live: the records that the index points to.

use embedded_storage::nor_flash::NorFlash;

use super::lookup::Value;
use super::state::Core;
use crate::change::Change;
use crate::format::crc::crc32c;
use crate::format::geometry::Live;
use crate::format::record::RecordRef;
use crate::index::Index;

impl<F: NorFlash> Core<F> {
    /// Adds a record to the live sums, or takes it out.
    pub(crate) fn note(&mut self, found: RecordRef, lives: bool) {
        let bytes = self.medium.geometry.size(found.header);
        self.log.live.note(bytes, lives);
        if self.is_in(found.address, self.log.head) {
            self.log.head_live.note(bytes, lives);
        }
        if self.is_in(found.address, self.log.tail) {
            self.log.tail_live.note(bytes, lives);
        }
    }

    /// Computes the live sums from the index.
    pub(crate) fn sum_live(&mut self, index: &Index) {
        self.forget_live();
        for entry in index {
            if let Some(found) = self.header_at(entry.address) {
                self.note(found, true);
            }
        }
    }

    pub(crate) fn forget_live(&mut self) {
        self.log.live = Live::NONE;
        self.log.head_live = Live::NONE;
        self.log.tail_live = Live::NONE;
    }

    /// Sum of a sector's live records, without those that `changes` replace.
    pub(crate) fn live_in(&mut self, sequence: u32, index: &Index, changes: &[Change<'_>]) -> Live {
        let mut live = Live::NONE;
        for entry in index {
            if self.is_in(entry.address, sequence)
                && let Some(found) = self.header_at(entry.address)
                && !self.is_replaced(entry.hash, entry.address, changes)
            {
                live = live.plus(self.medium.geometry.size(found.header));
            }
        }
        live
    }

    /// Whether one of `changes` replaces or deletes the record that an index entry points to.
    pub(crate) fn is_replaced(&mut self, hash: u32, address: u32, changes: &[Change<'_>]) -> bool {
        changes.iter().any(|change| {
            crc32c(change.key()) == hash
                && !matches!(
                    self.has_key(&self.place_at(address), change.key(), &mut Value::Ignore),
                    Ok(None)
                )
        })
    }
}
