//! Records newer than the head that no mount reaches.
//!
//! A compaction ("Writing" in `kvstore/FORMAT.md`) writes its records first, then the opening, then
//! the mark. If it is interrupted, a sector after the head holds records of a newer generation,
//! none of which was acknowledged. If the opening or mark of the newest sector is destroyed, the
//! flash looks similar, but those records were acknowledged. Their contents tell the two cases
//! apart.

use std::collections::{BTreeMap, BTreeSet};

use outlast_kvstore::inspect::{Record, RecordKind};

use super::data::Survey;
use super::entry::Entry;
use super::sector::{Role, Standing};
use crate::scan::{headers, passing};

/// A sector with records of a generation newer than the head's.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Newer<'a> {
    pub(super) sector: u32,
    pub(super) standing: Standing,
    /// The keys of its records.
    pub(super) keys: Vec<&'a [u8]>,
}

/// A batch of this many changes causes no doubt, even if the dump has no batch as large.
const USUAL_BATCH: usize = 4;

/// The sectors with records newer than the head.
pub(super) fn sectors<'a>(survey: &Survey<'a>) -> Vec<Newer<'a>> {
    let log = LogRecords::of(survey);
    (0..survey.region.shape().sectors).filter_map(|sector| look_at(survey, sector, &log)).collect()
}

fn look_at<'a>(survey: &Survey<'a>, sector: u32, log: &LogRecords<'a>) -> Option<Newer<'a>> {
    let region = survey.region;
    let about = survey.sectors.get(sector as usize)?;
    // A readable opening says that its sector is older, or where its compaction ended.
    if !matches!(about.role, Role::Unused | Role::Unfinished) {
        return None;
    }
    let records = passing(&region, &headers(&region, sector), &generations(survey, sector)?);
    let records: Vec<Record<'a>> = records.into_iter().map(|(record, _)| record).collect();
    if records.is_empty() {
        return None;
    }
    let base = survey.base(sector);
    let mark = region.mark_offset() + base;
    let mark = region.bytes(mark, mark + region.shape().unit);
    let proven = about.info.filter(|_| about.opening.is_ok()).map(|info| base + info.proven_end);
    let goes_past = |end| records.iter().any(|record| record.address >= end);
    // The mark of an interrupted compaction may have some zeros, and the next mount zeros its
    // opening.
    let counted = mark.is_some_and(|mark| mark.iter().all(|b| *b == 0));
    let standing = if counted || proven.is_some_and(goes_past) {
        Standing::Lost
    } else {
        log.standing_of(&records)
    };
    let mut keys: Vec<&[u8]> = Vec::new();
    for record in &records {
        if !record.key.is_empty() && !keys.contains(&record.key) {
            keys.push(record.key);
        }
    }
    Some(Newer { sector, standing, keys })
}

/// The generations a sector can have that are newer than the head.
fn generations(survey: &Survey<'_>, sector: u32) -> Option<BTreeSet<(u32, u32)>> {
    let sectors = survey.region.shape().sectors;
    let (at, head) = survey.head?;
    let ahead = (sector + sectors - at) % sectors;
    let sequence = head.sequence.saturating_add(ahead);
    // A factory reset is a compaction with the next epoch.
    Some([(head.epoch, sequence), (head.epoch.saturating_add(1), sequence)].into())
}

/// What the log holds, to tell copies from changes.
struct LogRecords<'a> {
    values: BTreeMap<&'a [u8], Vec<Record<'a>>>,
    /// The changes of the largest batch.
    batch: usize,
}

impl<'a> LogRecords<'a> {
    fn of(survey: &Survey<'a>) -> Self {
        let mut values: BTreeMap<&[u8], Vec<Record<'_>>> = BTreeMap::new();
        let mut batch = USUAL_BATCH;
        for entry in &survey.records {
            let record = entry.record;
            let role = survey.sectors.get(entry.sector as usize).map(|sector| sector.role);
            // The sector in question is not evidence.
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

    /// Whether a compaction can have copied this record. The log may have moved on since, so any
    /// version will do, and the copy of a counter is its count at that time.
    fn is_copy(&self, record: &Record<'_>) -> bool {
        let versions = self.values.get(record.key).map_or(&[][..], Vec::as_slice);
        versions.iter().any(|old| match (old.kind, record.kind) {
            (RecordKind::Delete | RecordKind::PendingDelete, kind) => kind == RecordKind::Delete,
            (_, RecordKind::Delete) => false,
            (RecordKind::Tally, RecordKind::Put) => record.value.len() == 8,
            _ => old.value == record.value,
        })
    }

    /// The standing of a sector whose opening and mark do not decide it.
    fn standing_of(&self, records: &[Record<'a>]) -> Standing {
        let mut seen = BTreeSet::new();
        let mut changes = 0;
        let mut puts = false;
        for record in records {
            let plain =
                matches!(record.kind, RecordKind::Put | RecordKind::Tally | RecordKind::Delete);
            // A compaction writes no other records, and each key only once.
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
                // The deletes of a call come first.
                return Standing::Lost;
            }
        }
        if changes > self.batch { Standing::Doubtful } else { Standing::Interrupted }
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

    /// A store whose head is sector 1 and holds this many puts.
    fn store(puts: usize) -> Mounted {
        let mut store = Mounted::open(vec![0xFF; 4 * 4096], &SHAPE).unwrap();
        let mut left = puts;
        for n in 0.. {
            store.put(format!("k{}", n % 20).as_bytes(), format!("{n:050}").as_bytes()).unwrap();
            if store.usage().compactions > 1 {
                left -= 1;
            }
            if left == 0 {
                break;
            }
        }
        store
    }

    /// The verdict, the findings, and for each extracted setting whether it is certain and whether
    /// it has a doubtful newer version.
    fn look(image: &[u8]) -> (Class, Vec<Kind>, Vec<(bool, bool)>) {
        let verdict = check::verdict(image, &SHAPE).unwrap();
        let saved = salvage(&verdict.survey);
        let values = saved.values.values().map(|value| (value.certain, value.newer.is_some()));
        let kinds = verdict.survey.findings.iter().map(|finding| finding.kind).collect();
        (verdict.class, kinds, values.collect())
    }

    #[test]
    fn a_destroyed_opening_of_the_newest_sector_is_damage() {
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
        // The mark is lost too: only the records themselves can show it.
        let mut bad = whole.clone();
        bad[0x1000..=MARK].fill(0xFF);
        let (class, kinds, values) = look(&bad);
        assert_eq!((class, kinds), (Class::Damaged, vec![Kind::NewerDoubtful]));
        assert_eq!(values.iter().filter(|value| **value == (false, true)).count(), 15);
        assert_eq!(values.iter().filter(|value| **value == (true, false)).count(), 5);
        // The opening says where the compaction ended.
        let mut bad = whole;
        bad[MARK] = 0xFF;
        assert_eq!(look(&bad).1, [Kind::NewerLost]);
    }

    #[test]
    fn what_one_call_cannot_write_shows_that_a_sector_counted() {
        // The same key twice, a batch, and the settle record of a mount.
        let mut twice = store(1);
        twice.put(b"k0", b"again").unwrap();
        twice.put(b"k0", b"and again").unwrap();
        let mut batch = store(1);
        batch.commit(&[Change::put("k1", b"1"), Change::put("k2", b"2")]).unwrap();
        let mounted = Mounted::open(store(1).into_parts().0, &SHAPE).unwrap();
        for (store, what) in [(twice, "twice"), (batch, "batch"), (mounted, "mounted")] {
            let mut bad = store.into_parts().0;
            bad[0x1000..=MARK].fill(0xFF);
            // A settle record repeats the opening, so this sector is still the head.
            let (class, kinds, _) = look(&bad);
            let kind = if what == "mounted" { Kind::OpeningLost } else { Kind::NewerLost };
            assert_eq!((class, kinds), (Class::Damaged, vec![kind]), "{what}");
        }
    }

    #[test]
    fn an_interrupted_compaction_is_no_damage() {
        let mut cut = store(1).into_parts().0;
        // Cut before the mark, cut before the opening, and after the next mount has zeroed it.
        cut[MARK] = 0xFF;
        assert_eq!(look(&cut).0, Class::Interrupted);
        cut[0x1000..MARK].fill(0xFF);
        let (class, kinds, values) = look(&cut);
        assert_eq!((class, kinds), (Class::Interrupted, vec![Kind::CompactionCut]));
        assert!(values.iter().all(|value| *value == (true, false)));
        cut[0x1000..MARK].fill(0);
        let (class, _, values) = look(&cut);
        assert_eq!(class, Class::Clean);
        assert!(values.iter().all(|value| *value == (true, false)));
    }
}
