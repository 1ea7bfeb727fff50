//! Closes the tallies of earlier power-ups.

use embedded_storage::nor_flash::NorFlash;

use crate::change::Change;
use crate::error::Error;
use crate::format::record::Kind;
use crate::index::Index;
use crate::log::state::Core;

impl<F: NorFlash> Core<F> {
    /// Writes the counts of the tallies of earlier power-ups as plain values, so that none of them
    /// takes ticks from two power-ups.
    pub(crate) fn close_tallies(&mut self, index: &mut Index) -> Result<(), Error<F::Error>> {
        if !core::mem::take(&mut self.log.tallies) {
            return Ok(());
        }
        for position in 0..index.len() {
            let Some(&entry) = index.get(position) else { break };
            if self.header_at(entry.address).is_none_or(|it| it.header.kind() != Kind::Tally) {
                continue;
            }
            let mut key = [0; _];
            // A damaged tally stays as it is, and takes no ticks.
            let place = self.place_at(entry.address);
            let Some((found, tally)) = self.medium.tally(&place, &mut key) else { continue };
            let key = key.get(..found.header.key_len() as usize).unwrap_or(&[]);
            self.write(&[Change::put(key, &tally.count().to_le_bytes())], index)?;
        }
        Ok(())
    }
}
