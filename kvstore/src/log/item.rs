//! Reads a live record with its key and value.

use embedded_storage::nor_flash::NorFlash;

use super::state::Core;
use crate::flash::reader::{Examined, KeyBytes};
#[cfg(feature = "counters")]
use crate::format::bytes::copy;
use crate::format::crc::crc32c;
use crate::format::record::{Header, Kind, RecordRef};
use crate::index::Entry;

impl<F: NorFlash> Core<F> {
    /// Reads the record that an index entry points to, its key, and as much of its value as there
    /// is room for; that of a counter is its count. If the value is damaged, the kind is `Lost`.
    /// `None` if the key is.
    // Outlined, since several callers share it.
    #[inline(never)]
    pub(crate) fn read_item(
        &mut self,
        entry: Entry,
        key: &mut KeyBytes,
        value: &mut [u8],
    ) -> Option<RecordRef> {
        let place = self.place_at(entry.address);
        let examined = self.medium.examine(&place, &mut |medium, found, at, bytes| {
            medium.gather_key(found, at, bytes, key);
            medium.gather_value(found, at, bytes, value);
        });
        let Examined { mut found, whole } = examined?;
        #[cfg(feature = "counters")]
        let whole = whole
            && (found.header.kind() != Kind::Tally || {
                let count = self.medium.tally(&place, key).map(|(_, tally)| tally.count());
                copy(value, &count.unwrap_or(0).to_le_bytes());
                count.is_some()
            });
        let key_len = found.header.key_len();
        if crc32c(key.get(..key_len as usize).unwrap_or(&[])) != entry.hash {
            return None;
        }
        if !whole {
            found.header = Header::new(Kind::Lost, key_len, 1);
        }
        Some(found)
    }
}
