//! Finds the record of a key through the index, and keeps the index up to date.

use embedded_storage::nor_flash::NorFlash;

use super::state::Core;
use crate::error::Fault;
use crate::flash::reader::Place;
use crate::format::crc::crc32c;
#[cfg(feature = "counters")]
use crate::format::record::Kind;
use crate::format::record::RecordRef;
use crate::index::{self, Index};

/// What to do with the value of a record that is searched for.
pub(crate) enum Value<'a> {
    Ignore,
    /// Read as much of it as there is room for.
    Read(&'a mut [u8]),
    /// Compare its bytes with these, as far as both go, and note whether they are equal.
    Compare(&'a [u8], bool),
}

impl<F: NorFlash> Core<F> {
    /// The place of a key in the index, and its record. If no entry's record has this key, but that
    /// of one with an equal hash is damaged, that entry counts as the key's, without a record.
    // Outlined, since several callers share it.
    #[inline(never)]
    pub(crate) fn position(
        &mut self,
        key: &[u8],
        index: &Index,
        value: &mut Value<'_>,
    ) -> (Option<usize>, Option<RecordRef>) {
        let hash = crc32c(key);
        let mut position = index::lower_bound(index, hash);
        let mut damaged = None;
        while let Some(entry) = index.get(position)
            && entry.hash == hash
        {
            match self.has_key(&self.place_at(entry.address), key, value) {
                Ok(None) => {}
                Ok(found) => return (Some(position), found),
                Err(()) => damaged = Some(position),
            }
            position += 1;
        }
        (damaged, None)
    }

    /// The record at a place, if it has this key. The error says that it is damaged. A record is
    /// checked whole, since a misread key would give a setting two entries.
    pub(crate) fn has_key(
        &mut self,
        place: &Place,
        key: &[u8],
        value: &mut Value<'_>,
    ) -> Result<Option<RecordRef>, ()> {
        let mut equal = true;
        let examined = self.medium.examine(place, &mut |medium, found, at, bytes| {
            if at == found.address {
                equal = found.header.key_len() as usize == key.len();
            }
            equal &= medium.agrees(medium.geometry.key_at(found), at, bytes, key);
            match value {
                Value::Ignore => {}
                Value::Read(value) => medium.gather_value(found, at, bytes, value),
                Value::Compare(wanted, equal) => {
                    let value_at = medium.geometry.value_at(found);
                    *equal = (at == found.address || *equal)
                        && medium.agrees(value_at, at, bytes, wanted);
                }
            }
        });
        match examined {
            Some(examined) if examined.whole => Ok(equal.then_some(examined.found)),
            _ => Err(()),
        }
    }

    /// Whether a newer record of a key may have been damaged so that its key cannot be read.
    pub(crate) fn key_is_doubtful(&mut self, key: &[u8], index: &Index) -> bool {
        if self.log.doubt == (0, 0) {
            return false;
        }
        let (position, _) = self.position(key, index, &mut Value::Ignore);
        let entry = position.and_then(|position| index.get(position));
        entry.is_none_or(|entry| self.is_doubtful(entry.address))
    }

    /// Lets a put or delete take effect on the index and the live sums.
    // Outlined, since it is called from several places.
    #[inline(never)]
    pub(crate) fn apply_change(&mut self, found: RecordRef, key: &[u8], index: &mut Index) {
        let (position, old) = self.position(key, index, &mut Value::Ignore);
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
        } else if !index::insert(index, crc32c(key), found.address) {
            self.medium.fault = Some(Fault::IndexFull);
        }
        self.note(found, true);
    }
}
