//! Counters that tick often. A tally is a record that holds the count so far, followed by blank
//! cells. Each tick clears one cell, so one record takes many ticks.
//!
//! An interrupted tick may read as made or as not made, and differently each time. So no tally
//! takes ticks from two power-ups: a mount reads each tally once, and writes its count as a plain
//! value before it reports anything. Every copy of a tally becomes a plain value, too. So only the
//! last tick of a tally can ever be in doubt, and only until the next mount has settled it.

use embedded_storage::nor_flash::{MultiwriteNorFlash, NorFlash};

use crate::change::Change;
use crate::error::Error;
use crate::format::crc::crc32c;
use crate::format::record::{Kind, RecordRef, key_is_valid};
use crate::format::tally::Tally;
use crate::index::Index;
use crate::log::count::COUNT;
use crate::log::state::Core;
use crate::store::Store;

/// How a tick clears a cell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Pulse {
    /// A cell is one bit, and its unit is programmed many times.
    Bit,
    /// A cell is half a unit, which is programmed once and then zeroed.
    Half,
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
            Pulse::Half => 2 + g.unit.trailing_zeros(),
        };
        let count = match self.position(key, crc32c(key), index) {
            (None, _) => 0,
            (Some(_), None) => return self.corrupt(),
            (Some(_), Some(found)) if found.header.kind() == Kind::Tally => {
                let Some(tally) = self.tally(found, &mut [0; _]) else { return self.corrupt() };
                if tally.log == log && tally.ticks < tally.cells {
                    self.clear_cell(found, &tally);
                    return Ok(tally.count().saturating_add(1));
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
        let g = self.medium.geometry;
        let log = g.unit.trailing_zeros() + 3;
        let from = tally.ticks << tally.log;
        let number = from >> log;
        // A cell of half a unit: the second program of the unit must be all zeros. A cell of one
        // bit: all other bits stay ones, so that none is programmed twice.
        let first = if tally.log == 0 { from } else { number << log };
        let mut bytes = [0xFF; 32];
        for (bit, byte) in (number << log..).step_by(8).zip(&mut bytes) {
            for place in 0..8 {
                if (first..from + (1 << tally.log)).contains(&(bit + place)) {
                    *byte &= !(1 << place);
                }
            }
        }
        let cells = g.cells(found);
        let (mut at, mut before) = (cells.from, number);
        while at < cells.to && (before > 0 || !cells.holds(at)) {
            before -= u32::from(cells.holds(at));
            at += g.unit;
        }
        self.medium.program(at, bytes.get(..g.unit as usize).unwrap_or(&bytes));
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
    /// Flash work: a read of the tally and one program of a unit. The first tick of a power-up, and
    /// a tick when the tally is used up, write a record as [`put`](Self::put) does, in two program
    /// calls. A tally has 32 units or a sixteenth of a sector, whichever is less, with two ticks
    /// each: at unit 1, a record of 56 bytes with a key of 5 bytes takes 65 ticks. For each counter
    /// that has ticked, the next open writes one more record.
    ///
    /// # Errors
    /// [`Error::NotACounter`] changes nothing. [`Error::Corrupt`] if the counter is damaged; it
    /// stays so until it is put or deleted. Others as [`put`](Self::put). In a full store, a
    /// counter that exists still ticks, at the cost of a record per tick.
    pub fn tick<K: AsRef<[u8]> + ?Sized>(&mut self, key: &K) -> Result<u64, Error<F::Error>> {
        self.tick_by(key.as_ref(), Pulse::Half)
    }

    /// Reads the count of a counter, 0 if it does not exist. Flash work: as [`get`](Self::get); for
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
        self.core.outcome(result)
    }
}

impl<F: MultiwriteNorFlash, const N: usize> Store<F, N> {
    /// As [`tick`](Self::tick), for parts whose units may be programmed bit by bit. Each tick
    /// clears one bit, so a tally takes four times as many ticks at unit 1 (257 for a record of 56
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
