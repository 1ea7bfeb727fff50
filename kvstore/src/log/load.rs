//! Reads the value of a key.

use embedded_storage::nor_flash::NorFlash;

use super::lookup::Value;
use super::state::Core;
use crate::error::Error;
use crate::format::record::Kind;
use crate::index::Index;

impl<F: NorFlash> Core<F> {
    /// Reads a value into `buffer`, and returns its length.
    pub(crate) fn load(
        &mut self,
        key: &[u8],
        index: &Index,
        buffer: &mut [u8],
    ) -> Result<Option<usize>, Error<F::Error>> {
        let (position, found) = self.position(key, index, &mut Value::Read(buffer));
        let Some(found) = found else {
            return if position.is_none() { Ok(None) } else { self.corrupt() };
        };
        match found.header.kind() {
            #[cfg(feature = "counters")]
            Kind::Tally => return self.load_count(&self.place_at(found.address), buffer),
            Kind::Lost => return self.corrupt(),
            _ => {}
        }
        let needed = found.header.value_len() as usize;
        if buffer.len() < needed {
            return Err(Error::BufferTooSmall { needed });
        }
        Ok(Some(needed))
    }
}
