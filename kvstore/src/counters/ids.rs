//! Numbers that are never given out twice, for one record per many of them, on any flash.

use embedded_storage::nor_flash::NorFlash;

use crate::error::Error;
use crate::store::Store;

/// A source of rising numbers for serial numbers, nonces and message counts. It stores how far it may
/// go and counts in RAM up to there.
///
/// A number is given out at most once, whatever power cuts happen, as long as the stored state stays:
/// deleting the key, [`clear`](Store::clear) and [`format`](Store::format) begin again at 0. Where
/// numbers must stay unique beyond a factory reset, as nonces must, read [`count`](Store::count) before and
/// [`put`](Store::put) its eight bytes, little-endian, back right behind it, before any source is opened. Each power-up skips the up to
/// `AHEAD` numbers that the one before had reserved and not used (0 counts as 1). Flash cost: one
/// [`Store::put`] of 8 bytes per `AHEAD` numbers and per power-up. RAM: 24 bytes on 32-bit targets.
#[derive(Debug)]
pub struct Ids<const AHEAD: u32> {
    key: &'static str,
    next: u64,
    /// The first number not reserved.
    end: u64,
}

impl<const AHEAD: u32> Ids<AHEAD> {
    /// The source that stores its state under `key`; the first number ever is 0. At most one may be
    /// open for a key. Flash work: as [`Store::get`]; nothing is programmed.
    ///
    /// # Errors
    /// As [`Store::count`]. If the state is damaged ([`Error::Corrupt`]) a number above all that were
    /// given out must be [`put`](Store::put) under the key, as a count.
    pub fn open<F: NorFlash, const N: usize>(
        store: &mut Store<F, N>,
        key: &'static str,
    ) -> Result<Self, Error<F::Error>> {
        let end = store.count(key)?;
        Ok(Self { key, next: end, end })
    }

    /// The next number. When it returns, the number is spent. Flash work: none, or a
    /// [`Store::put`]; a cut during it spends no number, but may skip those that it was to reserve.
    ///
    /// # Errors
    /// As [`Store::put`]; and [`Error::Full`] when fewer than `AHEAD` numbers are left of 2⁶⁴. No number
    /// is spent.
    pub fn next<F: NorFlash, const N: usize>(
        &mut self,
        store: &mut Store<F, N>,
    ) -> Result<u64, Error<F::Error>> {
        if self.next >= self.end {
            let end = self.next.checked_add(AHEAD.max(1).into()).ok_or(Error::Full)?;
            store.put(self.key, &end.to_le_bytes())?;
            self.end = end;
        }
        let number = self.next;
        self.next = number.saturating_add(1);
        Ok(number)
    }
}
