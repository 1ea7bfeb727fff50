//! The state of the log in RAM: which sectors it consists of, where it ends, how much of it is
//! live.

use embedded_storage::nor_flash::NorFlash;

use crate::error::Error;
use crate::flash::medium::Medium;
use crate::format::generation::Generation;
use crate::format::geometry::Live;
use crate::format::record::RecordRef;

/// Where the log stands. See the picture in the [crate documentation](crate).
#[derive(Clone, Copy, Debug)]
pub(crate) struct Log {
    pub(crate) epoch: u32,
    /// Sequence number of the sector that takes appends. Number `s` lives in sector `s` modulo the
    /// number of sectors.
    pub(crate) head: u32,
    /// Sequence number of the oldest live sector.
    pub(crate) tail: u32,
    /// Offset of the next record in the head.
    pub(crate) end: u32,
    /// Sum of all live records, and of those in head and tail.
    pub(crate) live: Live,
    pub(crate) head_live: Live,
    pub(crate) tail_live: Live,
    /// The spare was erased in this power-up.
    pub(crate) spare_erased: bool,
    /// There may be live tallies.
    #[cfg(feature = "counters")]
    pub(crate) tallies: bool,
    /// The store is not open, or a flash error left its state unknown.
    pub(crate) poisoned: bool,
    /// Damaged records seen so far.
    pub(crate) damaged: u32,
}

impl Log {
    /// The log of a store that is not open.
    pub(crate) const NONE: Self = Self {
        epoch: 0,
        head: 0,
        tail: 0,
        end: 0,
        live: Live::NONE,
        head_live: Live::NONE,
        tail_live: Live::NONE,
        spare_erased: false,
        #[cfg(feature = "counters")]
        tallies: false,
        poisoned: true,
        damaged: 0,
    };
}

/// The store without its index.
#[derive(Debug)]
pub(crate) struct Core<F: NorFlash> {
    pub(crate) medium: Medium<F>,
    pub(crate) log: Log,
}

impl<F: NorFlash> Core<F> {
    /// The physical sector of a sequence number.
    pub(crate) const fn sector(&self, sequence: u32) -> u32 {
        self.medium.geometry.sector_of_sequence(sequence)
    }

    /// Address of the first byte of the sector with this number.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn base(&self, sequence: u32) -> u32 {
        self.sector(sequence) * self.medium.geometry.sector_bytes
    }

    pub(crate) const fn generation(&self, sequence: u32) -> Generation {
        Generation { epoch: self.log.epoch, sequence }
    }

    /// The generation of the records at an address, which must lie in the log.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn generation_at(&self, address: u32) -> Generation {
        let g = &self.medium.geometry;
        let back = self.sector(self.log.head) + g.sectors - g.sector_of(address);
        self.generation(self.log.head.wrapping_sub(g.sector_of_sequence(back)))
    }

    /// End of the sector that an address lies in.
    pub(crate) const fn limit_at(&self, address: u32) -> u32 {
        let g = &self.medium.geometry;
        (g.sector_of(address) + 1) * g.sector_bytes
    }

    /// Whether an address lies in the log sector with this number.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn is_in(&self, address: u32, sequence: u32) -> bool {
        self.medium.geometry.sector_of(address) == self.sector(sequence)
    }

    /// Whether the log takes all sectors but the spare, so that the next compaction retires the
    /// tail.
    pub(crate) const fn log_is_long(&self) -> bool {
        self.log.head - self.log.tail + 2 >= self.medium.geometry.sectors
    }

    /// The record that an index entry points to.
    pub(crate) fn header_at(&mut self, address: u32) -> Option<RecordRef> {
        self.medium.header(address, self.limit_at(address))
    }

    pub(crate) fn ready(&self) -> Result<(), Error<F::Error>> {
        if self.log.poisoned { Err(Error::ReopenNeeded) } else { Ok(()) }
    }

    /// What a call that writes reports: its result, or what failed. After a failure the store is
    /// closed.
    pub(crate) fn outcome<T>(
        &mut self,
        result: Result<T, Error<F::Error>>,
    ) -> Result<T, Error<F::Error>> {
        self.log.poisoned |= self.medium.fault.is_some();
        self.outcome_of_reading(result)
    }

    /// What a call that only reads reports: its result, or what failed. The store stays open.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn outcome_of_reading<T>(
        &mut self,
        result: Result<T, Error<F::Error>>,
    ) -> Result<T, Error<F::Error>> {
        match self.medium.fault.take() {
            None => result,
            Some(fault) => Err(fault.into()),
        }
    }

    /// Counts a damaged record and reports it.
    pub(crate) fn corrupt<T>(&mut self) -> Result<T, Error<F::Error>> {
        // If the driver can read nothing at all, that says nothing about the record.
        if self.medium.fault.is_none() {
            self.log.damaged = self.log.damaged.saturating_add(1);
        }
        Err(Error::Corrupt)
    }
}
