//! Records newer than the head that no mount reaches.
//!
//! A compaction ("Writing" in `kvstore/FORMAT.md`) writes its records first, then the opening twice,
//! then the decision in the sector before. If it is interrupted, a sector after the head holds
//! records of a newer generation, none of which was acknowledged. If both openings of the newest
//! sector or the decision about it are destroyed, the flash looks similar, but those records were
//! acknowledged. What is left tells the two cases apart.

use std::collections::{BTreeMap, BTreeSet};

use outlast_kvstore::inspect::{Decision, Record, RecordKind};

use super::data::Survey;
use super::entry::Entry;
use super::sector::{Role, Standing};
use crate::scan::{headers, passing};

/// A sector with records of a generation newer than the head's.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Newer {
    pub(super) sector: u32,
    pub(super) standing: Standing,
    /// The keys of its records.
    pub(super) keys: Vec<Vec<u8>>,
}

/// A batch of this many changes causes no doubt, even if the dump has no batch as large.
const USUAL_BATCH: usize = 4;

/// The sectors with records newer than the head.
pub(super) fn sectors(survey: &Survey<'_>) -> Vec<Newer> {
    let log = LogRecords::of(survey);
    (0..survey.region.shape().sectors).filter_map(|sector| look_at(survey, sector, &log)).collect()
}

fn look_at(survey: &Survey<'_>, sector: u32, log: &LogRecords) -> Option<Newer> {
    let region = survey.region;
    let about = survey.sectors.get(sector as usize)?;
    // A readable opening says that its sector is older, or where its compaction ended.
    if !matches!(about.role, Role::Unused | Role::Unfinished | Role::PassedOver | Role::Blank) {
        return None;
    }
    let generations = generations(survey, sector)?;
    let records = passing(&region, &headers(&region, sector), &generations);
    let records: Vec<Record> = records.into_iter().map(|(record, _)| record).collect();
    let has_counted = about.opening.is_err() && was_decided(survey, sector, &generations);
    if records.is_empty() && !has_counted {
        return None;
    }
    let base = survey.base(sector);
    let proven = about.info.filter(|_| about.opening.is_ok()).map(|info| base + info.proven_end);
    let goes_past = |end| records.iter().any(|record| record.address >= end);
    let standing = if has_counted || proven.is_some_and(goes_past) {
        Standing::Lost
    } else {
        log.standing_of(&records)
    };
    let mut keys: Vec<Vec<u8>> = Vec::new();
    for record in records {
        if !record.key.is_empty() && !keys.contains(&record.key) {
            keys.push(record.key);
        }
    }
    Some(Newer { sector, standing, keys })
}

/// Whether a decision says that a sector counts: one of the head, if this is the sector after it or
/// the one after a sector that was passed over, or one of its own.
fn was_decided(survey: &Survey<'_>, sector: u32, generations: &BTreeSet<(u32, u32)>) -> bool {
    let region = survey.region;
    let Some((at, head)) = survey.head else { return false };
    let sequences: BTreeSet<u32> = generations.iter().map(|(_, sequence)| *sequence).collect();
    let own = |sequence: &u32| {
        let slots = region.slots(sector, *sequence);
        slots.iter().any(|slot| slot.decision == Some(Decision::Own))
    };
    let next = match region.decision_about_next(at, head.sequence, survey.decided) {
        Some(Decision::In) => Some(head.sequence.wrapping_add(1)),
        Some(Decision::Over) => Some(head.sequence.wrapping_add(2)),
        _ => None,
    };
    next.is_some_and(|next| sequences.contains(&next)) || sequences.iter().any(own)
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
struct LogRecords {
    values: BTreeMap<Vec<u8>, Vec<Record>>,
    /// The changes of the largest batch.
    batch: usize,
}

impl LogRecords {
    fn of(survey: &Survey<'_>) -> Self {
        let mut values: BTreeMap<Vec<u8>, Vec<Record>> = BTreeMap::new();
        let mut batch = USUAL_BATCH;
        for entry in &survey.records {
            let record = &entry.record;
            let role = survey.sectors.get(entry.sector as usize).map(|sector| sector.role);
            // The sector in question is not evidence.
            if !entry.passes || role == Some(Role::Unfinished) {
                continue;
            }
            if record.kind == RecordKind::Commit {
                let (from, to) = survey.region.extent(record);
                let named = |other: &&Entry| {
                    (from..to).contains(&other.record.address) && other.carried_by.is_none()
                };
                batch = batch.max(survey.records.iter().filter(named).count());
            } else if !record.key.is_empty() {
                values.entry(record.key.clone()).or_default().push(record.clone());
            }
        }
        Self { values, batch }
    }

    /// Whether a compaction can have copied this record. The log may have moved on since, so any
    /// version will do, and the copy of a counter is its count at that time.
    fn is_copy(&self, record: &Record) -> bool {
        let versions = self.values.get(&record.key).map_or(&[][..], Vec::as_slice);
        versions.iter().any(|old| match (old.kind, record.kind) {
            (RecordKind::Delete | RecordKind::PendingDelete, kind) => kind == RecordKind::Delete,
            (_, RecordKind::Delete) => false,
            // A copy of a damaged record says only that its value is lost.
            (_, RecordKind::Lost) => true,
            (RecordKind::Tally, RecordKind::Put) => record.value.len() == 8,
            _ => old.value == record.value,
        })
    }

    /// The standing of a sector about which no opening and no decision says anything.
    fn standing_of(&self, records: &[Record]) -> Standing {
        let mut seen = BTreeSet::new();
        let mut changes = 0;
        let mut puts = false;
        for record in records {
            let plain = matches!(
                record.kind,
                RecordKind::Put | RecordKind::Tally | RecordKind::Delete | RecordKind::Lost
            );
            // A compaction writes no other records, and each key only once.
            if !plain || !seen.insert(&record.key) {
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
    use crate::survey::{Entry, Kind};
    use outlast_kvstore::Change;
    use outlast_kvstore::inspect::RecordKind;

    const SHAPE: Shape = Shape::SERIAL_NOR;
    /// The opening of sector 1, and its second copy.
    const OPENINGS: [usize; 2] = [0x1000, 0x2000 - 32];
    /// The slots of sector 0, which decide about sector 1.
    const SLOTS: std::ops::Range<usize> = 32..32 + 12 * 5;

    fn without_openings(image: &[u8], fill: u8) -> Vec<u8> {
        let mut bytes = image.to_vec();
        for at in OPENINGS {
            bytes[at..at + 32].fill(fill);
        }
        bytes
    }

    /// Without the decision about sector 1, and without the seal and the spare record that follow it
    /// there.
    fn undecided(image: &[u8]) -> Vec<u8> {
        let survey = check::verdict(image, &SHAPE).unwrap().survey;
        let has_done = |entry: &&Entry| {
            entry.sector == 1 && matches!(entry.record.kind, RecordKind::Seal | RecordKind::Spare)
        };
        let mut bytes = image.to_vec();
        for Entry { record, .. } in survey.records.iter().filter(has_done) {
            bytes[record.address as usize..record.end as usize].fill(0xFF);
        }
        bytes[SLOTS].fill(0xFF);
        bytes
    }

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
    fn destroyed_openings_of_the_newest_sector_are_damage() {
        let whole = store(15).into_parts().0;
        assert_eq!(look(&whole).0, Class::Clean);
        // One copy is enough.
        let mut one = whole.clone();
        one[OPENINGS[0]..OPENINGS[0] + 32].fill(0);
        let (class, kinds, values) = look(&one);
        assert_eq!((class, kinds), (Class::Damaged, vec![Kind::OpeningCopyLost]));
        assert!(values.iter().all(|value| *value == (true, false)));
        let mut bits = whole.clone();
        for at in OPENINGS {
            bits[at + 4] ^= 0x20;
        }
        for bad in [bits, without_openings(&whole, 0)] {
            let (class, kinds, values) = look(&bad);
            assert_eq!((class, kinds), (Class::Damaged, vec![Kind::NewerLost]));
            assert!(values.len() == 20 && values.iter().all(|value| *value == (false, false)));
        }
        // The decision is lost too: only the records themselves can show it.
        let bad = without_openings(&undecided(&whole), 0xFF);
        let (class, kinds, values) = look(&bad);
        assert_eq!((class, kinds), (Class::Damaged, vec![Kind::NewerDoubtful]));
        assert_eq!(values.iter().filter(|value| **value == (false, true)).count(), 15);
        assert_eq!(values.iter().filter(|value| **value == (true, false)).count(), 5);
        // Without the decision, a record after the compaction still shows that it counted.
        let mut bad = whole;
        bad[SLOTS].fill(0xFF);
        assert_eq!(look(&bad).0, Class::Clean);
    }

    #[test]
    fn a_newest_sector_of_which_nothing_is_left_makes_every_value_uncertain() {
        for fill in [0x00, 0xFF] {
            let mut bad = store(15).into_parts().0;
            bad[0x1000..0x2000].fill(fill);
            let (class, kinds, values) = look(&bad);
            assert_eq!((class, kinds), (Class::Damaged, vec![Kind::NewerLost]), "{fill}");
            assert!(values.len() == 20 && values.iter().all(|value| !value.0), "{values:?}");
        }
    }

    #[test]
    fn a_seal_shows_that_a_sector_counted() {
        let mut bad = without_openings(&store(1).into_parts().0, 0xFF);
        bad[SLOTS].fill(0xFF);
        let (class, kinds, _) = look(&bad);
        assert_eq!((class, kinds), (Class::Damaged, vec![Kind::NewerLost]));
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
            let bad = without_openings(&undecided(&store.into_parts().0), 0xFF);
            let (class, kinds, _) = look(&bad);
            assert_eq!((class, kinds), (Class::Damaged, vec![Kind::NewerLost]), "{what}");
        }
    }

    #[test]
    fn an_interrupted_compaction_is_no_damage() {
        // Cut before the decision, and cut before the openings.
        let cut = undecided(&store(1).into_parts().0);
        assert_eq!(look(&cut).0, Class::Interrupted);
        let cut = without_openings(&cut, 0xFF);
        let (class, kinds, values) = look(&cut);
        assert_eq!((class, kinds), (Class::Interrupted, vec![Kind::CompactionCut]));
        assert!(values.iter().all(|value| *value == (true, false)));
        // The head is full, so the next mount repeats the compaction.
        let mounted = Mounted::open(cut, &SHAPE).unwrap().into_parts().0;
        let (class, kinds, values) = look(&mounted);
        assert_eq!((class, kinds), (Class::Clean, vec![]));
        assert!(values.iter().all(|value| *value == (true, false)));
    }
}
