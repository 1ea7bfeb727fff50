//! The state of the log in RAM: which sectors it consists of, where it ends, how much of it is
//! live.

use embedded_storage::nor_flash::NorFlash;

use crate::error::Error;
use crate::flash::medium::Medium;
use crate::flash::reader::{Examined, Place};
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
    /// Address where the last record of the head ends, or of the place after it.
    pub(crate) end: u32,
    /// Sum of all live records, and of those in head and tail.
    pub(crate) live: Live,
    pub(crate) head_live: Live,
    pub(crate) tail_live: Live,
    /// Sequence number of the sector that decided that the head counts.
    pub(crate) before: u32,
    pub(crate) spare: Spare,
    /// The sector after the head cannot be used. The spare is the one after that.
    pub(crate) passed_over: bool,
    /// The oldest sector that the head's opening names is no longer part of the log.
    pub(crate) retired: bool,
    /// There may be live tallies.
    #[cfg(feature = "counters")]
    pub(crate) tallies: bool,
    /// What calls are possible.
    pub(crate) access: Access,
    /// A record that this power-up finished stands after the head's proven end.
    pub(crate) sure: bool,
    /// The first slot of the head that is free.
    pub(crate) slot: u32,
    /// Address of the rest record that ends the log; 0 if the log does not rest.
    pub(crate) rest: u32,
    /// Damaged records seen so far.
    pub(crate) damaged: u32,
    /// Records with one wrong bit that the last replay met.
    pub(crate) repaired: u32,
    /// Sequence number and offset of the last damage whose key is unknown.
    pub(crate) doubt: (u32, u32),
}

/// What calls are possible.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Access {
    /// None: the store is not open.
    Closed,
    /// Reads: a failure left the end of the log unknown, or the store was opened for reading.
    Read,
    /// All.
    Write,
}

/// What is known of the spare.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Spare {
    /// Nothing.
    Unknown,
    /// This power-up could neither erase it nor pass over it.
    Unusable,
    /// This power-up erased it. For later ones, that does not count.
    Erased,
    /// This power-up erased it, and noted that in the head.
    Noted,
    /// An earlier power-up did so.
    Inherited,
}

impl Spare {
    pub(crate) const fn is_erased(self) -> bool {
        matches!(self, Self::Erased | Self::Noted | Self::Inherited)
    }
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
        before: 0,
        spare: Spare::Unknown,
        passed_over: false,
        retired: false,
        #[cfg(feature = "counters")]
        tallies: false,
        access: Access::Closed,
        sure: false,
        slot: 0,
        rest: 0,
        damaged: 0,
        repaired: 0,
        doubt: (0, 0),
    };
}

/// The store without its index.
// In this order, so that most calls find the geometry at the address they have.
#[repr(C)]
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

    /// Address where the records of the head end at the latest.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn limit(&self) -> u32 {
        self.base(self.log.head) + self.medium.geometry.records_end()
    }

    /// Address of the next record in the head.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn log_end(&self) -> u32 {
        self.medium.geometry.place(self.log.end)
    }

    pub(crate) const fn generation(&self, sequence: u32) -> Generation {
        Generation { epoch: self.log.epoch, sequence }
    }

    /// The generation of the records at an address, which must lie in the log.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn generation_at(&self, address: u32) -> Generation {
        self.generation(self.medium.geometry.sequence_at(self.log.head, address))
    }

    /// Where the records end in the sector that an address lies in.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn limit_at(&self, address: u32) -> u32 {
        let g = &self.medium.geometry;
        g.sector_of(address) * g.sector_bytes + g.records_end()
    }

    /// The place of a finished record at an address, which must lie in the log.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn place_at(&self, address: u32) -> Place {
        Place {
            address,
            limit: self.limit_at(address),
            generation: self.generation_at(address),
            proven: true,
        }
    }

    /// Whether an address lies in the log sector with this number.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn is_in(&self, address: u32, sequence: u32) -> bool {
        self.medium.geometry.sector_of(address) == self.sector(sequence)
    }

    /// Sequence number of the spare.
    pub(crate) const fn next_head(&self) -> u32 {
        self.log.head + 1 + self.log.passed_over as u32
    }

    /// Whether the log takes all sectors but the spare, so that the next compaction retires the
    /// tail.
    pub(crate) const fn log_is_long(&self) -> bool {
        self.next_head() - self.log.tail + 1 >= self.medium.geometry.sectors
    }

    /// Whether the next compaction retires the tail, if need be after passing over a sector.
    pub(crate) const fn tail_may_retire(&self) -> bool {
        self.log.head + 3 - self.log.tail >= self.medium.geometry.sectors
    }

    /// Whether a later mount may find that the tail is retired, and take the sector after it for the
    /// tail: a slot that is begun may say so, even if it does not now.
    pub(crate) const fn may_be_retired(&self) -> bool {
        self.log.slot > 0 && self.log_is_long()
    }

    /// The record that an index entry points to, and whether it passes its checks.
    pub(crate) fn record_at(&mut self, address: u32) -> Option<Examined> {
        self.medium.examine(&self.place_at(address), &mut |_, _, _, _| {})
    }

    /// The header of the record that an index entry points to.
    pub(crate) fn header_at(&mut self, address: u32) -> Option<RecordRef> {
        let found = self.medium.header(address, self.limit_at(address));
        found.or_else(|| self.record_at(address).map(|examined| examined.found))
    }

    pub(crate) fn readable(&self) -> Result<(), Error<F::Error>> {
        if self.log.access == Access::Closed { Err(Error::ReopenNeeded) } else { Ok(()) }
    }

    pub(crate) fn ready(&self) -> Result<(), Error<F::Error>> {
        if self.log.access == Access::Write { Ok(()) } else { Err(Error::ReopenNeeded) }
    }

    /// What a call that writes reports: its result, or what failed. After a failure the store can
    /// only be read.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn outcome<T>(
        &mut self,
        result: Result<T, Error<F::Error>>,
    ) -> Result<T, Error<F::Error>> {
        if self.medium.fault.is_some() && self.log.access == Access::Write {
            self.log.access = Access::Read;
        }
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

    /// Whether a record is older than the last damage that may have been a record of its key.
    pub(crate) fn is_doubtful(&self, address: u32) -> bool {
        let sequence = self.generation_at(address).sequence;
        (sequence, self.medium.geometry.offset_of(address)) < self.log.doubt
    }

    /// Counts a damaged record and reports it.
    pub(crate) fn corrupt<T>(&mut self) -> Result<T, Error<F::Error>> {
        self.count_damage();
        Err(Error::Corrupt)
    }

    pub(crate) const fn count_damage(&mut self) {
        // If the driver can read nothing at all, that says nothing about the record.
        if self.medium.fault.is_none() {
            self.log.damaged = self.log.damaged.saturating_add(1);
        }
    }
}
