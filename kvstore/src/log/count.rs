//! Reads the count of a tally.

use embedded_storage::nor_flash::NorFlash;

use super::state::Core;
use crate::error::Error;
use crate::flash::reader::KeyBytes;
use crate::format::bytes::copy;
use crate::format::record::RecordRef;
use crate::format::tally::Tally;

/// Bytes of a count as a value.
pub(crate) const COUNT: usize = 8;

impl<F: NorFlash> Core<F> {
    pub(crate) fn tally(&mut self, found: RecordRef, first: &mut KeyBytes) -> Option<Tally> {
        let generation = self.generation_at(found.address);
        self.medium.tally(found, generation, first)
    }

    /// Reads the count of a tally into `buffer`, and returns its length.
    pub(crate) fn load_count(
        &mut self,
        found: RecordRef,
        buffer: &mut [u8],
    ) -> Result<Option<usize>, Error<F::Error>> {
        let Some(tally) = self.tally(found, &mut [0; _]) else { return self.corrupt() };
        if buffer.len() < COUNT {
            return Err(Error::BufferTooSmall { needed: COUNT });
        }
        copy(buffer, &tally.count().to_le_bytes());
        Ok(Some(COUNT))
    }
}
