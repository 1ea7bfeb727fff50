//! Reads the value of a key.

use embedded_storage::nor_flash::NorFlash;

use super::state::Core;
use crate::error::Error;
use crate::format::bytes::copy;
use crate::format::checker::Checker;
use crate::format::crc::crc32c;
#[cfg(feature = "counters")]
use crate::format::record::Kind;
use crate::format::record::{MAX_HEADER, MAX_KEY, RecordRef};
use crate::index::{self, Index};

impl<F: NorFlash> Core<F> {
    /// Reads a value into `buffer`, and returns its length.
    pub(crate) fn load(
        &mut self,
        key: &[u8],
        index: &Index,
        buffer: &mut [u8],
    ) -> Result<Option<usize>, Error<F::Error>> {
        let hash = crc32c(key);
        let mut position = index::lower_bound(index, hash);
        // Room for header, key and a short value, in whole units of up to 32 bytes.
        let mut bytes = [0; (MAX_HEADER as usize + MAX_KEY + 48).next_multiple_of(32)];
        let len =
            self.medium.geometry.round_up(self.medium.geometry.header() + key.len() as u32 + 48)
                as usize;
        let mut damaged = false;
        while let Some(entry) = index.get(position)
            && entry.hash == hash
        {
            position += 1;
            let limit = self.limit_at(entry.address);
            let bytes = bytes.get_mut(..len).unwrap_or(&mut []);
            match self.medium.look(entry.address, limit, bytes) {
                None => damaged = true,
                Some(found) if self.medium.geometry.key_in(found, bytes) == key => {
                    #[cfg(feature = "counters")]
                    if found.header.kind() == Kind::Tally {
                        return self.load_count(found, buffer);
                    }
                    let len =
                        bytes.len().min((self.medium.geometry.end(found) - found.address) as usize);
                    let seen = bytes.get(..len).unwrap_or(&[]);
                    return self.load_found(found, seen, buffer);
                }
                Some(_) => {}
            }
        }
        if damaged { self.corrupt() } else { Ok(None) }
    }

    /// Reads the rest of a record whose first bytes are in `seen`, and checks the record.
    // Outlined, since its frame and that of the first read are not needed together.
    #[inline(never)]
    fn load_found(
        &mut self,
        found: RecordRef,
        seen: &[u8],
        buffer: &mut [u8],
    ) -> Result<Option<usize>, Error<F::Error>> {
        let len = found.header.value_len() as usize;
        if buffer.len() < len {
            return Err(Error::BufferTooSmall { needed: len });
        }
        let mut checker =
            Checker::new(&self.medium.geometry, self.generation_at(found.address), found);
        checker.feed(found.address, seen);
        let value_at = (self.medium.geometry.value_at(found) - found.address) as usize;
        copy(buffer.get_mut(..len).unwrap_or(&mut []), seen.get(value_at..).unwrap_or(&[]));
        let have = seen.len().saturating_sub(value_at).min(len);
        let from = found.address + seen.len() as u32;
        let mut at = from;
        let mut piece = [0; 64];
        let end = self.medium.geometry.end(found);
        while at < end {
            let rest = (end - at) as usize;
            // The rest of the value goes into the caller's buffer, and the trailer too if it fits.
            let part = if have < len && at == from {
                let n = if buffer.len() >= have + rest { rest } else { len - have };
                buffer.get_mut(have..have + n)
            } else {
                piece.get_mut(..rest.min(64))
            };
            let part = part.unwrap_or(&mut []);
            self.medium.read_readable(at, part);
            checker.feed(at, part);
            at += part.len() as u32;
        }
        if checker.passes() { Ok(Some(len)) } else { self.corrupt() }
    }
}
