//! Records of the sectors that are not in the log.

use outlast_kvstore::inspect::Event;

use super::data::Survey;
use super::entry::{State, Void};
use super::sector::Role;

impl Survey<'_> {
    /// Adds the records of a sector that is not part of the log.
    pub(super) fn walk_outside(&mut self, number: u32) {
        let Some(sector) = self.sectors.get(number as usize).copied() else { return };
        let Some(info) = sector.info else { return };
        let why = match (sector.role, self.head) {
            (Role::Unfinished, _) => Void::Unfinished,
            // A compaction into it was interrupted before it could no longer be used.
            (Role::PassedOver, Some((_, head)))
                if (info.epoch, info.sequence) >= (head.epoch, head.oldest) =>
            {
                Void::Unfinished
            }
            (_, Some((_, head))) if info.epoch < head.epoch => Void::BeforeReset,
            (_, Some(_)) => Void::Retired,
            (_, None) => Void::NoLog,
        };
        let generation = (info.epoch, info.sequence);
        let limits = (info.proven_end, self.region.records_end_offset());
        let mut events = Vec::new();
        let region = self.region;
        let stop = region.walk(number, generation, limits, &mut |event| events.push(event));
        for event in events {
            match event {
                Event::Record(record, passes) => {
                    self.add(record, generation, passes, State::Void(why), None);
                }
                Event::Settled(record, settle) => {
                    let page = record.address - region.shape().unit;
                    self.add_void((settle.accepted_end, page), generation, why);
                    let number = self.add(record, generation, true, State::Void(why), None);
                    if let Some(carried) = settle.carried {
                        let passes = region.passes(&carried, generation.0, generation.1);
                        self.add(carried, generation, passes, State::Void(why), Some(number));
                    }
                }
                Event::TornRest(_) | Event::Skipped(..) => {}
            }
        }
        if let Some(sector) = self.sectors.get_mut(number as usize) {
            sector.end = stop;
        }
    }
}
