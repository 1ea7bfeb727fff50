//! Writes a live record again, or one that no change of a caller asks for.

use embedded_storage::nor_flash::NorFlash;

use super::append::Content;
use super::state::Core;
use crate::flash::reader::KeyBytes;
use crate::format::geometry::Live;
use crate::format::record::{Header, Kind};
use crate::index::Index;

impl<F: NorFlash> Core<F> {
    /// Moves the record of an index entry to a new place: a copy is appended to the head or, if
    /// that has no room, compactions go on until there is room or one of them has moved it.
    pub(crate) fn rewrite(&mut self, position: usize, index: &mut Index) {
        let Some(&old) = index.get(position) else { return };
        self.wake(index);
        // The log grows to all its sectors, then each compaction retires one.
        for _ in 0..2 * self.medium.geometry.sectors {
            self.ready_spare(index);
            let moved = index.get(position).is_none_or(|entry| entry.address != old.address);
            if moved || self.medium.fault.is_some() || self.append_copy(old.address, index) {
                return;
            }
            self.compact(&[], index);
        }
    }

    /// Notes under a key that its value is lost. Returns whether there was room for that.
    pub(crate) fn append_lost(&mut self, key: &[u8], index: &mut Index) -> bool {
        self.wake(index);
        let header = Header::new(Kind::Lost, key.len() as u32, 1);
        for _ in 0..2 * self.medium.geometry.sectors {
            self.ready_spare(index);
            if self.append_record(header, &Content::New(key, &[0]), key, index) {
                return true;
            }
            self.compact(&[], index);
        }
        false
    }

    fn append_copy(&mut self, address: u32, index: &mut Index) -> bool {
        let place = self.place_at(address);
        let mut key: KeyBytes = [0; _];
        let Some(examined) = self.read_key(&place, &mut key) else { return false };
        let header = examined.found.header;
        let key = key.get(..header.key_len() as usize).unwrap_or(&[]);
        self.append_record(header.plain(), &Content::Copy(place, header), key, index)
    }

    /// Appends a record to the head and lets it take effect. Returns whether there was room for it,
    /// and the head took it.
    fn append_record(
        &mut self,
        header: Header,
        content: &Content<'_>,
        key: &[u8],
        index: &mut Index,
    ) -> bool {
        let g = self.medium.geometry;
        let load = Live::NONE.plus(g.size(header));
        let after = g.end_after(self.log.end, header);
        if self.must_seal(load, index) || !self.has_room(load, after) {
            return false;
        }
        let Some(found) = self.place_record(header, content) else { return false };
        self.log.sure = true;
        self.apply_change(found, key, index);
        true
    }
}
