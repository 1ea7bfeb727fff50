//! Records newer than the head that no mount reaches.
//!
//! A turn writes its records first, then the opening, then the mark. Where it was cut off, a sector
//! behind the head holds records of a newer life, and none of them was acknowledged. The same is left
//! where the start of the newest sector was spoilt; then they were. What stands there tells.

use std::collections::{BTreeMap, BTreeSet};

use outlast_kvstore::inspect::{Record, RecordKind};

use super::data::Survey;
use super::entry::Entry;
use super::sector::{Role, Standing};
use crate::scan::{headers, passing};

/// A sector with records of a life newer than the head's.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Newer<'a> {
    pub(super) sector: u32,
    pub(super) standing: Standing,
    /// Keys of its records.
    pub(super) keys: Vec<&'a [u8]>,
}

/// Changes that a batch has without causing doubt, where no larger one is in the dump.
const USUAL_BATCH: usize = 4;

/// The sectors with records newer than the head.
pub(super) fn sectors<'a>(survey: &Survey<'a>) -> Vec<Newer<'a>> {
    let log = LogRecords::of(survey);
    (0..survey.region.shape().sectors).filter_map(|sector| look_at(survey, sector, &log)).collect()
}

fn look_at<'a>(survey: &Survey<'a>, sector: u32, log: &LogRecords<'a>) -> Option<Newer<'a>> {
    let region = survey.region;
    let about = survey.sectors.get(sector as usize)?;
    // An opening that reads says that its sector is older, or where its turn ended.
    if !matches!(about.role, Role::Dead | Role::Unfinished) {
        return None;
    }
    let records = passing(&region, &headers(&region, sector), &lives(survey, sector)?);
    let records: Vec<Record<'a>> = records.into_iter().map(|(record, _)| record).collect();
    if records.is_empty() {
        return None;
    }
    let base = survey.base(sector);
    let mark = region.mark_offset() + base;
    let mark = region.bytes(mark, mark + region.shape().unit);
    let proven = about.facts.filter(|_| about.opening.is_ok()).map(|facts| base + facts.proven_end);
    let behind = |end| records.iter().any(|record| record.address >= end);
    // The mark of a turn that was cut off may have some zeros, and the next mount zeros the opening.
    let counted = mark.is_some_and(|mark| mark.iter().all(|b| *b == 0));
    let standing =
        if counted || proven.is_some_and(behind) { Standing::Lost } else { log.judge(&records) };
    let mut keys: Vec<&[u8]> = Vec::new();
    for record in &records {
        if !record.key.is_empty() && !keys.contains(&record.key) {
            keys.push(record.key);
        }
    }
    Some(Newer { sector, standing, keys })
}

/// The lives a sector can have that are newer than the head.
fn lives(survey: &Survey<'_>, sector: u32) -> Option<BTreeSet<(u32, u32)>> {
    let sectors = survey.region.shape().sectors;
    let (at, head) = survey.head?;
    let ahead = (sector + sectors - at) % sectors;
    let sequence = head.sequence.saturating_add(ahead);
    // A factory reset turns too.
    Some([(head.epoch, sequence), (head.epoch.saturating_add(1), sequence)].into())
}

/// What the log holds, to tell copies from changes.
struct LogRecords<'a> {
    values: BTreeMap<&'a [u8], Vec<Record<'a>>>,
    /// Changes of the largest batch.
    batch: usize,
}

impl<'a> LogRecords<'a> {
    fn of(survey: &Survey<'a>) -> Self {
        let mut values: BTreeMap<&[u8], Vec<Record<'_>>> = BTreeMap::new();
        let mut batch = USUAL_BATCH;
        for entry in &survey.records {
            let record = entry.record;
            let role = survey.sectors.get(entry.sector as usize).map(|sector| sector.role);
            // Not from the sector that is to be judged.
            if !entry.passes || role == Some(Role::Unfinished) {
                continue;
            }
            if record.kind == RecordKind::Commit {
                let (from, to) = survey.region.extent(&record);
                let named = |other: &&Entry<'_>| {
                    (from..to).contains(&other.record.address) && other.carried_by.is_none()
                };
                batch = batch.max(survey.records.iter().filter(named).count());
            } else if !record.key.is_empty() {
                values.entry(record.key).or_default().push(record);
            }
        }
        Self { values, batch }
    }

    /// Whether a turn can have copied this record. The log may have moved on since: any version
    /// will do, and a counter's copy is its count of that time.
    fn is_copy(&self, record: &Record<'_>) -> bool {
        let versions = self.values.get(record.key).map_or(&[][..], Vec::as_slice);
        versions.iter().any(|old| match (old.kind, record.kind) {
            (RecordKind::Delete | RecordKind::PendingDelete, kind) => kind == RecordKind::Delete,
            (_, RecordKind::Delete) => false,
            (RecordKind::Tally, RecordKind::Put) => record.value.len() == 8,
            _ => old.value == record.value,
        })
    }

    /// What a sector is whose opening and mark do not say it.
    fn judge(&self, records: &[Record<'a>]) -> Standing {
        let mut seen = BTreeSet::new();
        let mut changes = 0;
        let mut puts = false;
        for record in records {
            let plain =
                matches!(record.kind, RecordKind::Put | RecordKind::Tally | RecordKind::Delete);
            // A turn has no other records, and each key once.
            if !plain || !seen.insert(record.key) {
                return Standing::Lost;
            }
            if self.is_copy(record) {
                continue;
            }
            changes += 1;
            if record.kind != RecordKind::Delete {
                puts = true;
            } else if puts {
                // A call's deletes come first.
                return Standing::Lost;
            }
        }
        if changes > self.batch { Standing::Doubtful } else { Standing::Turn }
    }
}

#[cfg(test)]
mod tests {
    use crate::check::{self, Class};
    use crate::salvage::salvage;
    use crate::shape::Shape;
    use crate::store::Mounted;
    use crate::survey::Kind;
    use outlast_kvstore::Change;

    const SHAPE: Shape = Shape::SERIAL_NOR;
    const MARK: usize = 0x1000 + 31;

    /// A store whose head is sector 1, with so many puts in it.
    fn store(puts: usize) -> Mounted {
        let mut store = Mounted::open(vec![0xFF; 4 * 4096], &SHAPE).unwrap();
        let mut left = puts;
        for n in 0.. {
            store.put(format!("k{}", n % 20).as_bytes(), format!("{n:050}").as_bytes()).unwrap();
            if store.usage().sector_turns > 1 {
                left -= 1;
            }
            if left == 0 {
                break;
            }
        }
        store
    }

    /// The verdict, the findings, and of each setting saved whether it is certain and has a doubtful
    /// newer version.
    fn look(image: &[u8]) -> (Class, Vec<Kind>, Vec<(bool, bool)>) {
        let verdict = check::verdict(image, &SHAPE).unwrap();
        let saved = salvage(&verdict.survey);
        let values = saved.values.values().map(|value| (value.certain, value.newer.is_some()));
        let kinds = verdict.survey.findings.iter().map(|finding| finding.kind).collect();
        (verdict.class, kinds, values.collect())
    }

    #[test]
    fn a_spoilt_start_of_the_newest_sector_is_damage() {
        let whole = store(15).into_parts().0;
        assert_eq!(look(&whole).0, Class::Clean);
        let mut bits = whole.clone();
        bits[0x1004] ^= 0x20;
        let mut zeros = whole.clone();
        zeros[0x1000..MARK].fill(0);
        for bad in [bits, zeros] {
            let (class, kinds, values) = look(&bad);
            assert_eq!((class, kinds), (Class::Damaged, vec![Kind::NewerLost]));
            assert!(values.len() == 20 && values.iter().all(|value| *value == (false, false)));
        }
        // The mark is lost too, and then only what stands there tells.
        let mut bad = whole.clone();
        bad[0x1000..=MARK].fill(0xFF);
        let (class, kinds, values) = look(&bad);
        assert_eq!((class, kinds), (Class::Damaged, vec![Kind::NewerDoubtful]));
        assert_eq!(values.iter().filter(|value| **value == (false, true)).count(), 15);
        assert_eq!(values.iter().filter(|value| **value == (true, false)).count(), 5);
        // The opening says where the turn ended.
        let mut bad = whole;
        bad[MARK] = 0xFF;
        assert_eq!(look(&bad).1, [Kind::NewerLost]);
    }

    #[test]
    fn what_one_call_cannot_write_shows_that_a_sector_counted() {
        // The same key twice, a batch, and what a mount leaves.
        let mut twice = store(1);
        twice.put(b"k0", b"again").unwrap();
        twice.put(b"k0", b"and again").unwrap();
        let mut batch = store(1);
        batch.commit(&[Change::put("k1", b"1"), Change::put("k2", b"2")]).unwrap();
        let mounted = Mounted::open(store(1).into_parts().0, &SHAPE).unwrap();
        for (store, what) in [(twice, "twice"), (batch, "batch"), (mounted, "mounted")] {
            let mut bad = store.into_parts().0;
            bad[0x1000..=MARK].fill(0xFF);
            // A settle record says all that the opening said: then it is still the head.
            let (class, kinds, _) = look(&bad);
            let kind = if what == "mounted" { Kind::OpeningLost } else { Kind::NewerLost };
            assert_eq!((class, kinds), (Class::Damaged, vec![kind]), "{what}");
        }
    }

    #[test]
    fn a_turn_that_was_cut_off_is_no_damage() {
        let mut cut = store(1).into_parts().0;
        // Before the mark; before the opening; and after the next mount has found it.
        cut[MARK] = 0xFF;
        assert_eq!(look(&cut).0, Class::Interrupted);
        cut[0x1000..MARK].fill(0xFF);
        let (class, kinds, values) = look(&cut);
        assert_eq!((class, kinds), (Class::Interrupted, vec![Kind::TurnCut]));
        assert!(values.iter().all(|value| *value == (true, false)));
        cut[0x1000..MARK].fill(0);
        let (class, _, values) = look(&cut);
        assert_eq!(class, Class::Clean);
        assert!(values.iter().all(|value| *value == (true, false)));
    }
}
