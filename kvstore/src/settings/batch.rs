//! Batches: several settings that are stored together, all or none.

use core::convert::Infallible;

use embedded_storage::nor_flash::NorFlash;
use heapless::Vec;

use super::error::{SettingError, Why};
use super::setting::{Setting, Value};
use crate::{Change, Store};

/// Collects up to `CHANGES` settings and stores them in one atomic batch.
///
/// Nothing touches the flash before [`commit`](Self::commit). A mistake made earlier (a value out
/// of range, no room in the buffer, one change too many) is kept and reported by `commit`, which
/// then changes nothing. RAM on 32-bit targets: 20 bytes for each of `CHANGES`, about 50 more, and
/// the buffer.
#[derive(Debug)]
pub struct SettingBatch<'b, const CHANGES: usize> {
    /// The rest of the caller's buffer.
    rest: &'b mut [u8],
    changes: Vec<Change<'b>, CHANGES>,
    mistake: Option<SettingError<Infallible>>,
    last: &'static str,
}

impl<'b, const CHANGES: usize> SettingBatch<'b, CHANGES> {
    /// An empty batch. `buffer` takes the encoded values: 4 bytes and the value for each setting.
    #[must_use]
    pub const fn new(buffer: &'b mut [u8]) -> Self {
        Self { rest: buffer, changes: Vec::new(), mistake: None, last: "" }
    }

    /// Adds a new value. If a setting is named twice, the last value counts.
    #[must_use]
    pub fn set<T: Value, const BYTES: usize>(
        mut self,
        setting: &Setting<T, BYTES>,
        value: &T,
    ) -> Self {
        let rest = core::mem::take(&mut self.rest);
        let encoded = setting.encode(value, rest).map(<[u8]>::len);
        match encoded {
            Ok(len) => {
                let (bytes, left) = rest.split_at_mut(len);
                self.rest = left;
                self.add(setting.key(), Change::put(setting.key(), bytes));
            }
            Err(why) => self.note(setting.error(why)),
        }
        self
    }

    /// Adds the deletion of a stored value, so that the default applies again.
    #[must_use]
    pub fn reset<T, const BYTES: usize>(mut self, setting: &Setting<T, BYTES>) -> Self {
        self.add(setting.key(), Change::delete(setting.key()));
        self
    }

    /// Adds a change of a plain value, for example of a counter.
    #[must_use]
    pub fn plain(mut self, change: Change<'b>) -> Self {
        self.add("", change);
        self
    }

    /// Stores everything. It is durable when the call returns; a cut before that leaves everything
    /// stored or nothing. Flash work: as for [`Store::commit`]; nothing is programmed if everything
    /// is stored already. The whole batch must fit into one sector.
    ///
    /// # Errors
    /// The first mistake made while collecting, [`Why::OutOfRange`], [`Why::TooLong`] or
    /// [`Why::TooMany`], after which nothing was changed. [`Why::Store`] as for [`Store::commit`],
    /// with the key of the last setting (empty if the batch has none).
    pub fn commit<F: NorFlash, const N: usize>(
        self,
        store: &mut Store<F, N>,
    ) -> Result<(), SettingError<F::Error>> {
        if let Some(SettingError { key, why }) = self.mistake {
            return Err(SettingError::new(key, why.of_flash()));
        }
        store.commit(&self.changes).map_err(|error| SettingError::new(self.last, Why::Store(error)))
    }

    fn add(&mut self, key: &'static str, change: Change<'b>) {
        if !key.is_empty() {
            self.last = key;
        }
        if self.changes.push(change).is_err() {
            self.note(SettingError::new(key, Why::TooMany { limit: CHANGES }));
        }
    }

    fn note(&mut self, mistake: SettingError<Infallible>) {
        self.mistake.get_or_insert(mistake);
    }
}
