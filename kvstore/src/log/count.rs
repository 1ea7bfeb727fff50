//! Reads the count of a tally.

use embedded_storage::nor_flash::NorFlash;

use super::state::Core;
use crate::error::Error;
use crate::flash::reader::Place;
use crate::format::bytes::copy;

/// Bytes of a count as a value.
pub(crate) const COUNT: usize = 8;

impl<F: NorFlash> Core<F> {
    /// Reads the count of a tally into `buffer`, and returns its length.
    pub(crate) fn load_count(
        &mut self,
        place: &Place,
        buffer: &mut [u8],
    ) -> Result<Option<usize>, Error<F::Error>> {
        let Some((_, tally)) = self.medium.tally(place, &mut [0; _]) else {
            return self.corrupt();
        };
        if buffer.len() < COUNT {
            return Err(Error::BufferTooSmall { needed: COUNT });
        }
        copy(buffer, &tally.count().to_le_bytes());
        Ok(Some(COUNT))
    }
}
