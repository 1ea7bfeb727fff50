//! What the images that were judged before have shown.
//!
//! Sequences that differ only in their last operation leave many equal images, for example when
//! both erase a sector before they write anything. What the code reports on such an image need not
//! be determined again; only whether each history allows it.

use rapidhash::RapidHashMap;

use super::images::{Fingerprint, number_of};
use crate::check::oracle::{Oracle, ValueId, Values};
use crate::check::reading::BiasPick;
use crate::part::Step;

/// An image, and how its marginal cells read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Look {
    /// Two different images share a fingerprint with a probability of about 2^-128.
    pub(crate) image: Fingerprint,
    pub(crate) pick: BiasPick,
    /// Seed of the pick; the same for all images without marginal cells.
    pub(crate) seed: u64,
}

/// What the code did and reported when it came up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Shown {
    pub(crate) recovery: RecoveryId,
    pub(crate) reading: ReadingId,
}

/// Number of a recovery: of the steps that it consists of.
pub(crate) type RecoveryId = u32;
/// Number of a reading: of the values of all settings.
pub(crate) type ReadingId = u32;

/// What each image has shown that passed under every history in which it was met so far.
///
/// All histories must have the same subject, geometry and names of settings.
#[derive(Debug, Default)]
pub(crate) struct Cache {
    shown: RapidHashMap<Look, Shown>,
    recoveries: RapidHashMap<Vec<Step>, RecoveryId>,
    /// By content, since each history numbers its values anew.
    readings: RapidHashMap<Vec<u8>, ReadingId>,
    /// Kept for its allocation.
    bytes: Vec<u8>,
}

impl Cache {
    /// The number of the recovery that consists of these steps.
    fn recovery(&mut self, steps: &[Step]) -> RecoveryId {
        number_of(&mut self.recoveries, steps)
    }

    /// The number of what was read, if that leaves a single state.
    fn reading(&mut self, read: &Oracle, values: &Values) -> Option<ReadingId> {
        let mut states = read.states();
        let (state, None) = (states.next()?, states.next()) else { return None };
        self.write_down(state, values);
        Some(number_of(&mut self.readings, self.bytes.as_slice()))
    }

    /// What remains of the allowed states if this is read; `None` if it contradicts them.
    fn explained(
        &mut self,
        reading: ReadingId,
        allowed: &Oracle,
        values: &Values,
    ) -> Option<Oracle> {
        let mut read = allowed.clone();
        // What was read so far was read in an earlier power-up.
        read.cut();
        read.keep(|state| {
            self.write_down(state, values);
            self.readings.get(&self.bytes) == Some(&reading)
        });
        (!read.is_empty()).then_some(read)
    }

    fn write_down(&mut self, state: &[ValueId], values: &Values) {
        self.bytes.clear();
        for &id in state {
            let value = values.get(id);
            let len = value.map_or(u64::MAX, |value| value.len() as u64);
            self.bytes.extend_from_slice(&len.to_le_bytes());
            self.bytes.extend_from_slice(value.unwrap_or_default());
        }
    }
}

/// Sets of allowed states that a history met, by number.
#[derive(Debug, Default)]
pub(crate) struct Oracles(RapidHashMap<Oracle, OracleId>);

pub(crate) type OracleId = u32;

impl Oracles {
    pub(crate) fn number(&mut self, oracle: &Oracle) -> OracleId {
        number_of(&mut self.0, oracle)
    }
}

/// What an image owes: one of the states that its history allows.
pub(crate) struct Owed<'trace> {
    pub(crate) allowed: &'trace Oracle,
    pub(crate) number: u32,
}

/// A cache as one history sees it.
#[derive(Debug)]
pub(crate) struct Recall<'cache> {
    cache: &'cache mut Cache,
    /// By what is owed and what was read: what remains, or `None` if the two contradict each other.
    explained: RapidHashMap<(u32, ReadingId), Option<OracleId>>,
    /// By what remains: what was read.
    readings: RapidHashMap<OracleId, Option<ReadingId>>,
}

impl<'cache> Recall<'cache> {
    pub(crate) fn new(cache: &'cache mut Cache) -> Self {
        Self { cache, explained: RapidHashMap::default(), readings: RapidHashMap::default() }
    }

    /// The recovery of an image that was judged before, and what remains of what it owes here.
    /// `None` if it was not judged before, or if what it showed contradicts what it owes.
    pub(crate) fn shown(
        &mut self,
        look: &Look,
        owed: &Owed<'_>,
        values: &Values,
        oracles: &mut Oracles,
    ) -> Option<(RecoveryId, OracleId)> {
        let Shown { recovery, reading } = *self.cache.shown.get(look)?;
        let explained = self.explained.entry((owed.number, reading)).or_insert_with(|| {
            let remains = self.cache.explained(reading, owed.allowed, values)?;
            Some(oracles.number(&remains))
        });
        explained.map(|remains| (recovery, remains))
    }

    /// Numbers of a recovery and of what remains after it, and both together if the image showed
    /// all settings.
    pub(crate) fn enter(
        &mut self,
        steps: &[Step],
        remains: &Oracle,
        values: &Values,
        oracles: &mut Oracles,
    ) -> (RecoveryId, OracleId, Option<Shown>) {
        let recovery = self.cache.recovery(steps);
        let number = oracles.number(remains);
        let reading = self.readings.entry(number);
        let reading = *reading.or_insert_with(|| self.cache.reading(remains, values));
        (recovery, number, reading.map(|reading| Shown { recovery, reading }))
    }

    /// Remembers an image that passed.
    pub(crate) fn keep(&mut self, look: Look, shown: Shown) {
        self.cache.shown.insert(look, shown);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::check::oracle::Effect;
    use crate::subject::Op;

    fn put(key: u16, value: &[u8]) -> Op {
        Op::Put { key, value: value.to_vec() }
    }

    /// Two histories that number their values differently.
    #[test]
    fn what_one_history_read_another_may_forbid() {
        let mut cache = Cache::default();
        let mut first = Values::new();
        let mut read = Oracle::new(2);
        read.invoke(&Effect::of(&put(1, b"new"), &mut first));
        assert_eq!(cache.reading(&read, &first), None, "both are possible");
        read.ok();
        let reading = cache.reading(&read, &first).unwrap();
        assert_eq!(cache.reading(&read, &first), Some(reading));
        assert_ne!(cache.reading(&Oracle::new(2), &first), Some(reading));

        let mut second = Values::new();
        let mut allowed = Oracle::new(2);
        allowed.invoke(&Effect::of(&put(1, b"other"), &mut second));
        assert_eq!(cache.explained(reading, &allowed, &second), None);
        allowed.refused();
        allowed.invoke(&Effect::of(&put(1, b"new"), &mut second));
        let explained = cache.explained(reading, &allowed, &second).unwrap();
        allowed.ok();
        assert_eq!(explained, allowed);
        // The same value of another setting is a different reading.
        let mut third = Oracle::new(2);
        third.invoke(&Effect::of(&put(0, b"new"), &mut second));
        assert_eq!(cache.explained(reading, &third, &second), None);
    }
}
