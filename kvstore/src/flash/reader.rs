//! Reads of records: headers, keys, and whether the record passes its checks.

use embedded_storage::nor_flash::NorFlash;

use super::medium::Medium;
use crate::format::bytes::copy;
use crate::format::checker::Checker;
use crate::format::generation::Generation;
use crate::format::record::{Header, MAX_HEADER, MAX_KEY, RecordRef};

/// Room for a header and the longest key.
pub(crate) type KeyBytes = [u8; MAX_HEADER as usize + MAX_KEY];

impl<F: NorFlash> Medium<F> {
    /// Reads the first bytes of the record at `address`, up to the address `limit`, and decodes its
    /// header. `None` if there is no header, if the record would end after `limit`, or if header or
    /// key cannot be read.
    pub(crate) fn look(&mut self, address: u32, limit: u32, bytes: &mut [u8]) -> Option<RecordRef> {
        let room = bytes.len().min(limit.saturating_sub(address) as usize);
        let bytes = bytes.get_mut(..room)?;
        let readable = self.read_readable(address, bytes);
        let header = Header::decode(bytes, self.geometry.header())?;
        let found = RecordRef { address, header };
        if !readable {
            // Header and key must be readable; what follows the record need not be.
            let key_end = (self.geometry.header() + header.key_len()) as usize;
            if !self.read(address, bytes.get_mut(..key_end.min(room))?) {
                return None;
            }
        }
        (self.geometry.end(found) <= limit).then_some(found)
    }

    /// Reads only the header of the record at `address`.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn header(&mut self, address: u32, limit: u32) -> Option<RecordRef> {
        let mut bytes = [0; MAX_HEADER as usize];
        let len = self.geometry.header() as usize;
        self.look(address, limit, bytes.get_mut(..len)?)
    }

    /// Reads header and key of the record at `address`, as much of the key as `bytes` has room for.
    /// One read for keys of up to `expected` bytes, two for longer ones.
    pub(crate) fn look_at_key(
        &mut self,
        address: u32,
        limit: u32,
        expected: u32,
        bytes: &mut [u8],
    ) -> Option<RecordRef> {
        let seen = self.geometry.header() + expected;
        let seen = (seen as usize).min(bytes.len()).min(limit.saturating_sub(address) as usize);
        let found = self.look(address, limit, bytes.get_mut(..seen)?)?;
        let end = (self.geometry.header() + found.header.key_len()) as usize;
        let end = end.min(bytes.len());
        if seen < end {
            let rest = bytes.get_mut(seen..end)?;
            return self.read(address + seen as u32, rest).then_some(found);
        }
        Some(found)
    }

    /// Reads a record once, from header to trailer, and passes each piece of it to `each` with its
    /// address. Returns whether the record passes its checks.
    pub(crate) fn scan(
        &mut self,
        found: RecordRef,
        generation: Generation,
        each: &mut Pieces<'_, Self>,
    ) -> bool {
        let mut checker = Checker::new(&self.geometry, generation, found);
        let mut buffer = [0; 64];
        let (mut at, end) = (found.address, self.geometry.end(found));
        while at < end {
            let n = ((end - at) as usize).min(buffer.len());
            let piece = buffer.get_mut(..n).unwrap_or(&mut []);
            self.read_readable(at, piece);
            each(self, at, piece);
            checker.feed(at, piece);
            at += n as u32;
        }
        checker.passes()
    }

    /// Whether a record passes its checks now. Copies the first bytes after its header to `first`,
    /// from the same reading: bits that an interrupted program left may read differently the next
    /// time.
    pub(crate) fn whole(
        &mut self,
        found: RecordRef,
        generation: Generation,
        first: &mut [u8],
    ) -> bool {
        let header = self.geometry.header() as usize;
        self.scan(found, generation, &mut |_, at, bytes| {
            if at == found.address {
                copy(first, bytes.get(header..).unwrap_or(&[]));
            }
        })
    }
}

/// Called with each piece of a record and its address.
pub(crate) type Pieces<'a, M> = dyn FnMut(&mut M, u32, &[u8]) + 'a;
