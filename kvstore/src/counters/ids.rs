//! Numbers that are never given out twice, on any flash. One record reserves many of them.

use embedded_storage::nor_flash::NorFlash;

use crate::error::Error;
use crate::store::Store;

/// A source of rising numbers, for serial numbers, nonces and message counts. It stores the number
/// that it may count up to, and counts in RAM.
///
/// A number is given out at most once, whatever power cuts happen, as long as the stored state
/// stays. Deleting the key, [`clear`](Store::clear) and [`format`](Store::format) start again at 0.
/// Where numbers must stay unique after a factory reset, as nonces must, read
/// [`count`](Store::count) before the reset, and [`put`](Store::put) its eight bytes,
/// little-endian, back directly after it, before any source is opened.
///
/// Each power-up skips up to `AHEAD` numbers that the previous power-up had reserved but not used
/// (an `AHEAD` of 0 counts as 1). Flash cost: one [`Store::put`] of 8 bytes per `AHEAD` numbers and
/// per power-up. RAM: 24 bytes on 32-bit targets.
#[derive(Debug)]
pub struct Ids<const AHEAD: u32> {
    key: &'static str,
    next: u64,
    /// The first number that is not reserved.
    end: u64,
}

impl<const AHEAD: u32> Ids<AHEAD> {
    /// Opens the source that stores its state under `key`. The first number ever is 0. At most one
    /// source may be open for a key. Flash work: as [`Store::get`]; nothing is programmed.
    ///
    /// # Errors
    /// As [`Store::count`]. [`Error::Corrupt`] if the state is damaged, or if a newer one may have
    /// been lost (see [`Store::is_doubtful`]): the caller must [`put`](Store::put) a number above
    /// all those given out under the key, as a count.
    pub fn open<F: NorFlash, const N: usize>(
        store: &mut Store<F, N>,
        key: &'static str,
    ) -> Result<Self, Error<F::Error>> {
        let end = store.count(key)?;
        if store.is_doubtful(key)? {
            return Err(Error::Corrupt);
        }
        Ok(Self { key, next: end, end })
    }

    /// Takes the next number. When the call returns, the number is spent. Flash work: none, or a
    /// [`Store::put`]. A cut during the call spends no number, but may skip those that were being
    /// reserved.
    ///
    /// # Errors
    /// As [`Store::put`]; and [`Error::Full`] when fewer than `AHEAD` of the 2⁶⁴ numbers are left.
    /// After an error no number is spent.
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
