//! The head of the log and the walk over a sector, by the rules of a mount.

use super::dump::Dump;
use super::opening::{SectorInfo, opening_of, sector_info_of};
use super::record::{Record, Settle};
use super::region::Region;
use crate::flash::reader::Place;
use crate::format::generation::Generation;
use crate::format::opening::Opening;
use crate::format::record::Kind;
use crate::log::state::{Core, Log};
use crate::recover::find_head::Headship;
use crate::recover::replay;
use crate::recover::walk::Walk as Inner;

/// The head of the log.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Head {
    /// The number of its sector.
    pub sector: u32,
    /// What its opening says. If the sector has decided since that its oldest one is no longer part
    /// of the log, the oldest one here is the one after that.
    pub info: SectorInfo,
    /// Whether the sector itself shows that it counts. If not, only a decision in the slots of the
    /// sector before it does.
    pub is_sure: bool,
}

/// What a walk over a sector meets.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Event {
    /// A record, and whether it passes its checks.
    Record(Record, bool),
    /// A settle record that passes, and what it says. What stands before it from its accepted end
    /// on is void, and no other event tells of it.
    Settled(Record, Settle),
    /// The walk passed over an address where a rest record stands that was interrupted and cannot
    /// be read any more.
    TornRest(u32),
    /// No record could be read at the first address, although the log goes on. The walk did so at
    /// the second one.
    Skipped(u32, u32),
}

/// What follows a number of the log.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Successor {
    /// A sector, whose opening says this.
    Known(SectorInfo),
    /// A sector neither of whose openings can be read.
    Unknown,
    /// The number has no sector itself: its sector was passed over, since it cannot be used.
    PassedOver,
}

impl Region<'_> {
    /// The sector that a mount takes for the head of the log. Also `None` if a sector starts like
    /// that of another layout or version, since no mount accepts the region then.
    #[must_use]
    pub fn head(&self) -> Option<Head> {
        let mut core = Core { medium: self.medium(), log: Log::NONE };
        let mut opening = Opening::NONE;
        let headship = core.find_head(&mut opening).ok()?;
        core.leave_out_retired(&mut opening);
        let info = sector_info_of(&opening);
        let sector = self.geometry.sector_of_sequence(info.sequence);
        Some(Head { sector, info, is_sure: headship == Headship::Sure })
    }

    /// Walks a sector with this epoch and sequence number up to the offset `limit`, as a mount
    /// does. Records before the offset `proven` are known to have been finished. Returns the
    /// address of the first place without a record.
    pub fn walk(
        &self,
        sector: u32,
        (epoch, sequence): (u32, u32),
        (proven, limit): (u32, u32),
        each: &mut dyn FnMut(Event),
    ) -> u32 {
        let g = &self.geometry;
        let base = self.address(sector);
        let mut inner = Inner::new();
        inner.sequence = sequence;
        inner.limit = base + limit.min(g.records_end());
        inner.proven = base + proven.min(g.records_end());
        inner.at = base + g.first_record();
        let core = self.core(epoch, sequence);
        let mut walk = Walk { region: self, core, inner };
        walk.core.find_ruling(&mut walk.inner);
        while walk.core.medium.fault.is_none() && walk.step(each) {}
        walk.inner.at
    }

    /// What follows a number of the log with this head.
    #[must_use]
    pub fn successor(&self, head: &SectorInfo, sequence: u32) -> Successor {
        let head = opening_of(head);
        let Generation { epoch, sequence: newest } = head.generation;
        let mut next = Opening::NONE;
        match self.core(epoch, newest).successor(sequence, &head, &mut next) {
            replay::Successor::Known => Successor::Known(sector_info_of(&next)),
            replay::Successor::Unknown => Successor::Unknown,
            replay::Successor::PassedOver => Successor::PassedOver,
        }
    }

    fn core(&self, epoch: u32, head: u32) -> Core<Dump<'_>> {
        Core { medium: self.medium(), log: Log { epoch, head, ..Log::NONE } }
    }
}

/// Where a walk stands. What a mount reads, corrects and skips is left to the code of a mount.
struct Walk<'r, 'a> {
    region: &'r Region<'a>,
    core: Core<Dump<'a>>,
    inner: Inner,
}

impl Walk<'_, '_> {
    /// Goes on to the next record, and returns whether there was one.
    fn step(&mut self, each: &mut dyn FnMut(Event)) -> bool {
        let at = self.inner.at;
        let bound = match self.inner.settle {
            Some(settle) => settle.accepted,
            None => self.inner.limit,
        };
        if at >= bound {
            return self.pass_settle(each);
        }
        let met = self.core.next_record(&mut self.inner, bound, &mut [0; _]);
        if self.inner.at != at {
            each(Event::TornRest(at));
        }
        let at = self.inner.at;
        let Some(met) = met else {
            let goes_on = self.core.skip_damage(&mut self.inner, bound);
            return self.note_skipped(at, goes_on, each);
        };
        // A settle record that is met as a record did not read as whole when it was looked for.
        let whole = met.whole && met.found.header.kind() != Kind::Settle;
        if !whole && at >= self.inner.proven && self.inner.settle.is_none() {
            let goes_on = self.core.find_later_record(&mut self.inner);
            return self.note_skipped(at, goes_on, each);
        }
        self.inner.at = self.core.medium.geometry.next_place(met.found);
        if let Some(record) = self.region.record_as_read(&self.core.medium, met) {
            let passes = whole && self.region.is_in_order(&record);
            each(Event::Record(record, passes));
        }
        true
    }

    /// Goes on after the settle record up to whose accepted end the walk came.
    fn pass_settle(&mut self, each: &mut dyn FnMut(Event)) -> bool {
        let Some(settle) = self.inner.settle else { return false };
        let (address, limit) = (settle.found.address, self.inner.limit);
        let generation = self.core.generation(self.inner.sequence);
        let place = Place { address, limit, generation, proven: false };
        if let Some((record, _)) = self.region.examined(&place)
            && let Some(settle) = self.region.settle(&record)
        {
            each(Event::Settled(record, settle));
        }
        self.inner.at = self.core.medium.geometry.next_place(settle.found);
        self.core.find_ruling(&mut self.inner);
        true
    }

    /// Tells of what the walk passed over from the address `from` on, if it did.
    fn note_skipped(&self, from: u32, goes_on: bool, each: &mut dyn FnMut(Event)) -> bool {
        if goes_on && self.inner.at != from {
            each(Event::Skipped(from, self.inner.at));
        }
        goes_on
    }
}
