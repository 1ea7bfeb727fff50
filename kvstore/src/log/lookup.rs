//! Finds the record of a key through the index, and keeps the index up to date.

use embedded_storage::nor_flash::NorFlash;

use super::state::Core;
use crate::error::Fault;
#[cfg(feature = "counters")]
use crate::format::record::Kind;
use crate::format::record::{MAX_HEADER, RecordRef};
use crate::index::{self, Index};

/// Most bytes of a key that are read together with the header.
pub(crate) const KEY_START: usize = 16;

impl<F: NorFlash> Core<F> {
    /// The place of a key in the index, and its record. If no entry's record has this key, but that
    /// of one with an equal hash cannot be read, that entry counts as the key's, without a record.
    pub(crate) fn position(
        &mut self,
        key: &[u8],
        hash: u32,
        index: &Index,
    ) -> (Option<usize>, Option<RecordRef>) {
        let mut position = index::lower_bound(index, hash);
        let mut damaged = None;
        while let Some(entry) = index.get(position)
            && entry.hash == hash
        {
            match self.has_key(entry.address, key) {
                Ok(None) => {}
                Ok(found) => return (Some(position), found),
                Err(()) => damaged = Some(position),
            }
            position += 1;
        }
        (damaged, None)
    }

    /// The record at an index entry's address, if it has this key. The error says that it cannot be
    /// read.
    pub(crate) fn has_key(&mut self, address: u32, key: &[u8]) -> Result<Option<RecordRef>, ()> {
        let limit = self.limit_at(address);
        let mut bytes = [0; MAX_HEADER as usize + KEY_START];
        let (start, mut rest) = key.split_at(key.len().min(KEY_START));
        let header = self.medium.geometry.header() as usize;
        let first = bytes.get_mut(..header + start.len()).unwrap_or(&mut []);
        let found = self.medium.look(address, limit, first).ok_or(())?;
        if found.header.key_len() as usize != key.len() || !first.ends_with(start) {
            return Ok(None);
        }
        // The rest of a long key is read in pieces, to save stack.
        while !rest.is_empty() {
            let (now, later) = rest.split_at(rest.len().min(bytes.len()));
            let stored = bytes.get_mut(..now.len()).unwrap_or(&mut []);
            let at = self.medium.geometry.value_at(found) - rest.len() as u32;
            if !self.medium.read(at, stored) {
                return Err(());
            }
            if stored != now {
                return Ok(None);
            }
            rest = later;
        }
        Ok(Some(found))
    }

    /// Lets a put or delete take effect on the index and the live sums.
    pub(crate) fn apply_change(
        &mut self,
        found: RecordRef,
        key: &[u8],
        hash: u32,
        index: &mut Index,
    ) {
        let (position, old) = self.position(key, hash, index);
        if let Some(old) = old {
            self.note(old, false);
        }
        #[cfg(feature = "counters")]
        {
            self.log.tallies |= found.header.kind() == Kind::Tally;
        }
        if !found.header.kind().puts() {
            if let Some(position) = position {
                index::remove(index, position);
            }
            return;
        }
        if let Some(entry) = position.and_then(|position| index.get_mut(position)) {
            entry.address = found.address;
        } else if !index::insert(index, hash, found.address) {
            self.medium.fault = Some(Fault::IndexFull);
        }
        self.note(found, true);
    }
}
