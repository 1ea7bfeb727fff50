//! Looks keys up in the index, and lets records take effect on it.

use embedded_storage::nor_flash::NorFlash;

use super::state::Core;
use crate::error::Fault;
#[cfg(feature = "counters")]
use crate::format::record::Kind;
use crate::format::record::{MAX_HEADER, RecordRef};
use crate::index::{self, Index};

/// How much of a key a walk reads along with the header, at the most.
pub(crate) const START: usize = 16;

impl<F: NorFlash> Core<F> {
    /// The index entry of a key, and the record it points to; `None` for the record if its header
    /// can no longer be read: then the equal hash decides.
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

    /// The record at an index entry's address, if it has this key. `Err`: its header cannot be
    /// read.
    pub(crate) fn has_key(&mut self, address: u32, key: &[u8]) -> Result<Option<RecordRef>, ()> {
        let limit = self.limit_at(address);
        let mut bytes = [0; MAX_HEADER as usize + START];
        let (start, mut rest) = key.split_at(key.len().min(START));
        let header = self.medium.geometry.header() as usize;
        let first = bytes.get_mut(..header + start.len()).unwrap_or(&mut []);
        let found = self.medium.look(address, limit, first).ok_or(())?;
        if found.header.key_len() as usize != key.len() || !first.ends_with(start) {
            return Ok(None);
        }
        // Longer keys piece by piece, for the sake of the stack.
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

    /// Lets a put or delete take effect on index and live sums.
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
