//! Every record that still passes its checks, wherever it is in an image.
//!
//! A record's check is seeded with the generation (epoch and sequence number) of its sector. If the
//! openings of a sector are destroyed, its generation follows from the sectors around it, or, since
//! a CRC is linear, from the records themselves.

use std::collections::{BTreeMap, BTreeSet};

use outlast_kvstore::inspect::{self, Record, RecordKind, Region};

use crate::scan::{headers, passing};
use crate::survey::{Kind, Standing, State, Survey, Void};

/// A record that passes its checks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Saved {
    /// The record.
    pub record: Record,
    /// The epoch and sequence number with which it passes.
    pub generation: (u32, u32),
    /// Why it does not count, if the survey says so.
    pub void: Option<Void>,
}

/// The value saved for a key.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Value {
    /// The number of its record in [`Salvage::records`].
    pub record: usize,
    /// The value.
    pub value: inspect::Value,
    /// Whether a device would report this value; otherwise a newer one may have been lost.
    pub certain: bool,
    /// The number of a newer record of this key, if nothing shows whether that ever counted.
    pub newer: Option<usize>,
}

/// What could be extracted.
#[derive(Clone, Debug)]
pub struct Salvage {
    /// All records that pass, oldest first.
    pub records: Vec<Saved>,
    /// The newest value of each key that was not deleted afterwards.
    pub values: BTreeMap<Vec<u8>, Value>,
}

/// The epochs to try where no sector opening at all is left.
const EPOCHS: std::ops::Range<u32> = 0..8;
/// A larger sequence number is not believed if it follows from a single record.
const PLAUSIBLE: u32 = 1 << 20;

/// Extracts what can be extracted.
#[must_use]
pub fn salvage(survey: &Survey<'_>) -> Salvage {
    let region = survey.region;
    let shape = region.shape();
    let mut known: BTreeSet<(u32, u32)> = BTreeSet::new();
    let mut found: Vec<Vec<Record>> = Vec::new();
    for sector in 0..shape.sectors {
        let headers = headers(&region, sector);
        let info = survey.sectors.get(sector as usize).and_then(|sector| sector.info);
        known.extend(info.map(|info| (info.epoch, info.sequence)));
        found.push(headers);
    }
    let mut records = Vec::new();
    for (sector, headers) in (0..).zip(&found) {
        let mut generations = around(&known, sector, shape.sectors);
        let mut found = passing(&region, headers, &generations);
        if found.is_empty() && !headers.is_empty() {
            generations = solved(&region, headers, sector, &known);
            found = passing(&region, headers, &generations);
        }
        records.extend(found);
    }
    // The search above corrects no wrong bits.
    let places: BTreeSet<u32> = records.iter().map(|(record, _)| record.address).collect();
    let corrected = survey.records.iter().filter(|entry| {
        let place = entry.record.address;
        entry.passes && entry.record.repair.is_some() && !places.contains(&place)
    });
    records.extend(corrected.map(|entry| (entry.record.clone(), entry.generation)));
    records.sort_by_key(|(record, generation): &(Record, _)| (*generation, record.address));
    let states: BTreeMap<u32, (State, (u32, u32))> = survey
        .records
        .iter()
        .map(|entry| (entry.record.address, (entry.state, entry.generation)))
        .collect();
    let records: Vec<Saved> = records
        .into_iter()
        .map(|(record, generation)| {
            let void = match (standing(survey, &record, generation), states.get(&record.address)) {
                (Some(Standing::Lost), _) => None,
                (Some(Standing::Interrupted | Standing::Doubtful), _) => Some(Void::Unfinished),
                (None, Some((State::Void(why), known))) if *known == generation => Some(*why),
                _ => None,
            };
            Saved { record, generation, void }
        })
        .collect();
    let values = values(survey, &records);
    Salvage { records, values }
}

/// The generations a sector can have, given those of some sectors.
fn around(known: &BTreeSet<(u32, u32)>, sector: u32, sectors: u32) -> BTreeSet<(u32, u32)> {
    let mut generations = BTreeSet::new();
    for (epoch, sequence) in known {
        let distance = (sequence % sectors + sectors - sector) % sectors;
        let near = sequence.checked_sub(distance);
        for sequence in [
            near,
            near.and_then(|n| n.checked_add(sectors)),
            near.and_then(|n| n.checked_sub(sectors)),
        ]
        .into_iter()
        .flatten()
        {
            let epochs = [Some(*epoch), epoch.checked_sub(1), epoch.checked_add(1)];
            generations.extend(epochs.into_iter().flatten().map(|epoch| (epoch, sequence)));
        }
    }
    generations
}

/// The generation that follows from the records themselves, if enough of them agree.
fn solved(
    region: &Region<'_>,
    headers: &[Record],
    sector: u32,
    known: &BTreeSet<(u32, u32)>,
) -> BTreeSet<(u32, u32)> {
    let sectors = region.shape().sectors;
    let mut votes: BTreeMap<(u32, u32), usize> = BTreeMap::new();
    let epochs: BTreeSet<u32> = known.iter().map(|(epoch, _)| *epoch).chain(EPOCHS).collect();
    for record in headers {
        for epoch in &epochs {
            if let Some(sequence) = region.sequence_of(record, *epoch)
                && sequence % sectors == sector
            {
                *votes.entry((*epoch, sequence)).or_default() += 1;
            }
        }
    }
    // For each other epoch, some other number gives the same CRC seed, and all records agree on
    // those numbers too. Real sequence numbers are small.
    let most = votes.values().copied().max().unwrap_or(0);
    votes.retain(|(_, sequence), count| *count == most && (most > 1 || *sequence < PLAUSIBLE));
    votes.into_keys().min_by_key(|(epoch, sequence)| (*sequence, *epoch)).into_iter().collect()
}

/// What the survey says about the sector of a record that is newer than the head.
fn standing(survey: &Survey<'_>, record: &Record, generation: (u32, u32)) -> Option<Standing> {
    let newer = survey.head.is_some_and(|(_, head)| generation > (head.epoch, head.sequence));
    let sector = record.address / survey.region.shape().sector_bytes;
    survey.newer.get(&sector).copied().filter(|_| newer)
}

/// The newest value of each key.
fn values(survey: &Survey<'_>, records: &[Saved]) -> BTreeMap<Vec<u8>, Value> {
    let region = survey.region;
    // Batches whose commit is present.
    let mut batches: BTreeMap<(u32, u32), Vec<std::ops::Range<u32>>> = BTreeMap::new();
    for commit in records.iter().filter(|saved| saved.record.kind == RecordKind::Commit) {
        let (start, end) = region.extent(&commit.record);
        batches.entry(commit.generation).or_default().push(start..end);
    }
    let committed = |saved: &Saved| {
        let batches = batches.get(&saved.generation);
        batches.is_some_and(|batches| batches.iter().any(|b| b.contains(&saved.record.address)))
    };
    let in_doubt = in_doubt(survey, records);
    let mut values: BTreeMap<Vec<u8>, Value> = BTreeMap::new();
    for (number, saved) in records.iter().enumerate() {
        let counts = match saved.void {
            None | Some(Void::Retired | Void::NoLog) => true,
            Some(Void::NoCommit) => {
                // A walk that stopped early did not reach the commit.
                matches!(saved.record.kind, RecordKind::PendingPut | RecordKind::PendingDelete)
            }
            Some(_) => false,
        };
        if !counts {
            continue;
        }
        let pending =
            matches!(saved.record.kind, RecordKind::PendingPut | RecordKind::PendingDelete);
        if pending && !committed(saved) {
            continue;
        }
        match saved.record.kind {
            RecordKind::Put | RecordKind::Tally | RecordKind::PendingPut => {
                let live = survey.live.get(&saved.record.key);
                let live = live.and_then(|n| survey.records.get(*n));
                // Compared by value: this may be a copy that an interrupted settle record carries.
                let is_live =
                    live.is_some_and(|live| live.passes && live.record.value == saved.record.value);
                let certain = is_live && !in_doubt(saved.generation, saved.record.address);
                let value = saved.record.value.clone();
                let value = Value { record: number, value, certain, newer: None };
                values.insert(saved.record.key.clone(), value);
            }
            RecordKind::Delete | RecordKind::PendingDelete => {
                values.remove(&saved.record.key);
            }
            // Of one that is lost, an older value may still be in flash. The others have no key.
            _ => {}
        }
    }
    // If the log is complete, a key that only a retired sector still holds was deleted since.
    if let Some((_, head)) = survey.head
        && !in_doubt((head.epoch, head.oldest), 0)
    {
        values.retain(|key, _| survey.live.contains_key(key));
    }
    for (number, saved) in records.iter().enumerate() {
        let Saved { record, generation, .. } = saved;
        if standing(survey, record, *generation) != Some(Standing::Doubtful) {
            continue;
        }
        let deletes = record.kind == RecordKind::Delete;
        match values.get_mut(&record.key) {
            Some(old) if deletes || old.value != record.value => {
                (old.certain, old.newer) = (false, Some(number));
            }
            None if !deletes => {
                let value = record.value.clone();
                let only = Value { record: number, value, certain: false, newer: Some(number) };
                values.insert(record.key.clone(), only);
            }
            _ => {}
        }
    }
    values
}

/// Returns a function that says whether something newer than a record of this generation at this
/// address may have been lost.
fn in_doubt(survey: &Survey<'_>, records: &[Saved]) -> impl Fn((u32, u32), u32) -> bool {
    let shape = survey.region.shape();
    let head = survey.head.map(|(_, head)| head);
    // The real head may be a sector whose opening is lost, and nothing else of it need be left.
    let lacks_newest = survey
        .findings
        .iter()
        .any(|finding| matches!(finding.kind, Kind::BlocksMissing | Kind::NewerLost));
    let newer = lacks_newest
        || head.is_none_or(|head| {
            let newer = |saved: &Saved| saved.generation > (head.epoch, head.sequence);
            records.iter().any(|saved| newer(saved) && saved.void != Some(Void::Unfinished))
        });
    let lost: Vec<((u32, u32), u32)> = survey
        .findings
        .iter()
        .filter(|finding| {
            matches!(
                finding.kind,
                Kind::Hidden
                    | Kind::Unreadable
                    | Kind::NameDamaged
                    | Kind::OpeningLost
                    | Kind::Missing
                    | Kind::Gap
            )
        })
        .filter_map(|finding| {
            let head = head?;
            let sector = finding.address / shape.sector_bytes;
            let age = (head.sequence % shape.sectors + shape.sectors - sector) % shape.sectors;
            // A missing sector outside the log may be a newer head.
            let sequence = match head.sequence.checked_sub(age) {
                Some(sequence) if sequence >= head.oldest => sequence,
                _ => u32::MAX,
            };
            Some(((head.epoch, sequence), finding.address))
        })
        .collect();
    move |generation, address| newer || lost.iter().any(|place| *place >= (generation, address))
}
