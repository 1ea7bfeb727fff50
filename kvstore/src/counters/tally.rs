//! Counters that tick often. A tally is a record that holds the count so far, followed by blank
//! cells. Each tick clears one cell, so one record takes many ticks.
//!
//! An interrupted tick may read as made or as not made, and differently each time. So a mount that
//! settles reads each tally once, and writes its count as a plain value before it reports anything.
//! Every copy of a tally becomes a plain value, too. Only if the log rested, and so no tick was
//! interrupted, does a tally take ticks from another power-up. So only the last tick of a tally can
//! ever be in doubt, and only until the next mount has settled it.

use embedded_storage::nor_flash::{MultiwriteNorFlash, NorFlash};

use crate::change::Change;
use crate::error::Error;
use crate::format::record::{Kind, RecordRef, key_is_valid};
use crate::format::tally::Tally;
use crate::index::Index;
use crate::log::count::COUNT;
use crate::log::lookup::Value;
use crate::log::state::Core;
use crate::store::Store;

/// How a tick clears a cell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Pulse {
    /// A cell is one bit, and its unit is programmed many times.
    Bit,
    /// A cell is a unit, which is programmed once.
    Unit,
}

impl<F: NorFlash> Core<F> {
    fn tick(
        &mut self,
        key: &[u8],
        pulse: Pulse,
        index: &mut Index,
    ) -> Result<u64, Error<F::Error>> {
        self.ready()?;
        if !key_is_valid(key) {
            return Err(Error::InvalidKey);
        }
        let g = self.medium.geometry;
        let log = match pulse {
            Pulse::Bit => 0,
            Pulse::Unit => 3 + g.unit.trailing_zeros(),
        };
        let count = match self.position(key, index, &mut Value::Ignore) {
            (None, _) => 0,
            (Some(_), None) => return self.corrupt(),
            (Some(_), Some(found)) if found.header.kind() == Kind::Tally => {
                let place = self.place_at(found.address);
                let Some((_, tally)) = self.medium.tally(&place, &mut [0; _]) else {
                    return self.corrupt();
                };
                if tally.log == log && tally.ticks < tally.cells {
                    let head = self.log.head;
                    self.wake(index);
                    // If that took a compaction, the tally may have been moved, as a plain value.
                    // If its unit does not take the tick, it is left. Then a new record is made.
                    if self.log.head == head {
                        self.clear_cell(found, &tally);
                        if !self.medium.take_refused() {
                            return Ok(tally.count().saturating_add(1));
                        }
                    }
                }
                tally.count()
            }
            _ => {
                let mut value = [0; COUNT];
                match self.load(key, index, &mut value) {
                    Ok(Some(COUNT)) => u64::from_le_bytes(value),
                    Ok(_) | Err(Error::BufferTooSmall { .. }) => return Err(Error::NotACounter),
                    Err(error) => return Err(error),
                }
            }
        };
        let count = count.saturating_add(1);
        let [b0, b1, b2, b3, b4, b5, b6, b7] = count.to_le_bytes();
        let value = [b0, b1, b2, b3, b4, b5, b6, b7, log as u8];
        let len = g.tally_len(key.len() as u32);
        match self.write(&[Change::Tally { key, value: &value, len }], index) {
            // A plain value takes no more room than the one it replaces.
            Err(Error::Full | Error::TooLarge) => {
                self.write(&[Change::put(key, &count.to_le_bytes())], index)?;
            }
            result => result?,
        }
        Ok(count)
    }

    /// Clears the first blank cell of a tally, which this power-up must have written.
    fn clear_cell(&mut self, found: RecordRef, tally: &Tally) {
        let g = &self.medium.geometry;
        let first = tally.ticks << tally.log;
        let at = g.content_at(g.cells(found).from, first / 8);
        if tally.log > 0 {
            self.medium.zero_unit(at);
            return;
        }
        // All other bits stay ones, so that none is programmed twice.
        let mut bytes = [0xFF; 32];
        if let Some(byte) = bytes.get_mut((at & (g.unit - 1)) as usize) {
            *byte &= !(1 << (first % 8));
        }
        let (at, len) = (at & !(g.unit - 1), g.unit as usize);
        self.medium.program_bits(at, bytes.get(..len).unwrap_or(&bytes));
    }
}

impl<F: NorFlash, const N: usize> Store<F, N> {
    /// Adds one to the counter `key` and returns the new count. A counter that does not exist
    /// starts at zero, and one at `u64::MAX` stays there. The tick is durable when the call
    /// returns: no later open ever shows less. A cut leaves the old count or the new one, and every
    /// later open shows the same.
    ///
    /// A counter is a value of 8 bytes, little-endian: [`get`](Self::get) reads it,
    /// [`put`](Self::put) sets it, and [`delete`](Self::delete) starts it over.
    ///
    /// Flash work: a read of the tally and one program of a unit. The first tick after an open that
    /// settled, and a tick when the tally is used up, write a record as [`put`](Self::put) does, in
    /// two program calls or more. For each counter that has ticked, the next open that settles
    /// writes one more record.
    ///
    /// A tally has 128 units or a sixteenth of a sector, whichever is less, and each tick uses up
    /// one of them. With sectors of 4 KiB and a key of 5 bytes, a record of 152 bytes takes 129
    /// ticks at unit 1, one of 288 bytes takes 33 at unit 8, and one of 320 bytes takes 9 at unit
    /// 32. The last is no better than a put each, so with large units use [`add`](Self::add).
    ///
    /// # Errors
    /// [`Error::NotACounter`] changes nothing. [`Error::Corrupt`] if the counter is damaged; it
    /// stays so until it is put or deleted. Others as [`put`](Self::put). In a full store, a
    /// counter that exists still ticks, at the cost of a record per tick.
    pub fn tick<K: AsRef<[u8]> + ?Sized>(&mut self, key: &K) -> Result<u64, Error<F::Error>> {
        self.tick_by(key.as_ref(), Pulse::Unit)
    }

    /// Reads the count of a counter, 0 if it does not exist. After damage it may be too low, see
    /// [`is_doubtful`](Self::is_doubtful). Flash work: as [`get`](Self::get); for
    /// a counter that has ticked in this power-up, one read per 64 bytes of its tally. Nothing is
    /// programmed.
    ///
    /// # Errors
    /// As [`get`](Self::get), and [`Error::NotACounter`] instead of [`Error::BufferTooSmall`].
    pub fn count<K: AsRef<[u8]> + ?Sized>(&mut self, key: &K) -> Result<u64, Error<F::Error>> {
        let mut value = [0; COUNT];
        match self.get(key, &mut value).map(|value| value.map(<[u8]>::len)) {
            Ok(None) => Ok(0),
            Ok(Some(COUNT)) => Ok(u64::from_le_bytes(value)),
            Ok(_) | Err(Error::BufferTooSmall { .. }) => Err(Error::NotACounter),
            Err(error) => Err(error),
        }
    }

    /// Adds `more` to a counter in one record, and returns the new count, which is at most
    /// `u64::MAX`. A cut leaves the old count or the new one. Flash work: as [`count`](Self::count)
    /// and [`put`](Self::put) together.
    ///
    /// # Errors
    /// As [`tick`](Self::tick).
    pub fn add<K: AsRef<[u8]> + ?Sized>(
        &mut self,
        key: &K,
        more: u64,
    ) -> Result<u64, Error<F::Error>> {
        let count = self.count(key)?.saturating_add(more);
        self.put(key, &count.to_le_bytes())?;
        Ok(count)
    }

    fn tick_by(&mut self, key: &[u8], pulse: Pulse) -> Result<u64, Error<F::Error>> {
        let result = self.core.tick(key, pulse, self.entries.as_mut_view());
        let result = self.core.outcome(result);
        self.concluded(result)
    }
}

impl<F: MultiwriteNorFlash, const N: usize> Store<F, N> {
    /// As [`tick`](Self::tick), for parts whose units may be programmed bit by bit. Each tick
    /// clears one bit, so a tally takes eight times as many ticks at unit 1 (1025 for a record of 152
    /// bytes), and more on larger units.
    ///
    /// Use it only if the data sheet sets no limit on the number of programs of a unit, or a limit
    /// above eight times its bytes. Do not use it where an error-correcting code covers the unit.
    /// Both ways of ticking may be used on one counter. Flash work, and what a cut leaves: as
    /// [`tick`](Self::tick).
    ///
    /// # Errors
    /// As [`tick`](Self::tick).
    pub fn tick_bit<K: AsRef<[u8]> + ?Sized>(&mut self, key: &K) -> Result<u64, Error<F::Error>> {
        self.tick_by(key.as_ref(), Pulse::Bit)
    }
}
