//! What an image holds: sectors, records, which of them count and why the others do not.
//!
//! It follows the rules of a mount (`kvstore/FORMAT.md`, "Mounting") without changing anything.

use std::collections::{BTreeMap, BTreeSet};

use outlast_kvstore::inspect::{Event, Facts, NotOpening, Record, RecordKind, Region, Settle};

use crate::newer::{self, Newer, Standing};
use crate::shape::Shape;
use crate::store::Mounted;

/// What a sector is to the log.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// Takes appends.
    Head,
    /// Part of the log.
    Log,
    /// The oldest sector of the log.
    Tail,
    /// Was part of the log before it moved on, or before a factory reset.
    Retired,
    /// Opened behind the head, but never counted: its turn was interrupted.
    Unfinished,
    /// All `FF`.
    Blank,
    /// Its opening was made unreadable by zeros, or was never written.
    Dead,
    /// Has an opening, but there is no log.
    Stray,
    /// Not in the dump.
    Missing,
}

impl Role {
    /// One word.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Head => "head",
            Self::Log => "log",
            Self::Tail => "tail",
            Self::Retired => "retired",
            Self::Unfinished => "unfinished",
            Self::Blank => "blank",
            Self::Dead => "dead",
            Self::Stray => "stray",
            Self::Missing => "missing",
        }
    }
}

/// A sector.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sector {
    /// What it is to the log.
    pub role: Role,
    /// What its opening says, or a settle record in it.
    pub facts: Option<Facts>,
    /// Whether the opening itself reads.
    pub opening: Result<(), NotOpening>,
    /// Address of the place behind its last record.
    pub end: u32,
    /// Bytes of records that count.
    pub live_bytes: u32,
}

/// Why a record does not count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Void {
    /// The last program before a cut, not complete.
    Torn,
    /// Behind the end of the log that the mount accepted which wrote the settle record here.
    NotAccepted(u32),
    /// Behind the end of the sector that the next sector names.
    BehindEnd,
    /// A batch without its commit.
    NoCommit,
    /// A copy that the settle record here handed on.
    HandedOn(u32),
    /// In a sector that is no longer part of the log.
    Retired,
    /// From before a factory reset.
    BeforeReset,
    /// In a sector whose turn was interrupted.
    Unfinished,
    /// There is no log.
    NoLog,
    /// The next mount drops it for want of room: it was never acknowledged.
    NoRoom,
}

/// Whether a record counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// A value that a `get` gives.
    Live,
    /// Counted until the record with this number.
    Replaced(usize),
    /// A delete, commit, settle record or seal that does its work.
    InForce,
    /// Does not count.
    Void(Void),
}

/// A record of the image.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Entry<'a> {
    /// The record.
    pub record: Record<'a>,
    /// Physical sector.
    pub sector: u32,
    /// Epoch and sequence number of the sector.
    pub life: (u32, u32),
    /// Whether it passes its checks.
    pub passes: bool,
    /// Whether it counts.
    pub state: State,
    /// The number of the settle record that carries it.
    pub carried_by: Option<usize>,
}

/// Something out of the ordinary.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding<'a> {
    /// What it is.
    pub kind: Kind,
    /// Where, as an address in the region.
    pub address: u32,
    /// Keys whose value is in doubt because of it.
    pub keys: Vec<&'a [u8]>,
}

/// Kinds of findings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// The last record was cut off.
    Torn,
    /// Something was begun at the end of the log and cut off.
    Begun,
    /// The last tick of a counter was cut off.
    TickCut,
    /// The last batch has no commit.
    NoCommit,
    /// A mount was cut off.
    MountCut,
    /// A sector's erase or turn was cut off.
    TurnCut,
    /// The dump ends before the region does.
    Missing,
    /// A live record fails its checks.
    LiveDamaged,
    /// A record that counts no more fails its checks: nothing is lost.
    OldDamaged,
    /// A sector's walk stops early: what stands behind is not reached.
    Hidden,
    /// A sector of the log whose opening does not read.
    OpeningLost,
    /// A sector newer than the head, whose opening or mark is lost: a mount passes over it.
    NewerLost,
    /// The same, or a turn that was cut off with more changes than is usual.
    NewerDoubtful,
    /// A page that holds data is not in the file as a whole.
    Gap,
    /// The file has no end record.
    FileCut,
    /// The file lacks some of its blocks.
    BlocksMissing,
}

impl Kind {
    /// Whether it is damage, not a trace of an interruption.
    #[must_use]
    pub const fn is_damage(self) -> bool {
        match self {
            Self::Torn
            | Self::Begun
            | Self::TickCut
            | Self::NoCommit
            | Self::MountCut
            | Self::TurnCut => false,
            Self::Missing
            | Self::LiveDamaged
            | Self::OldDamaged
            | Self::Hidden
            | Self::OpeningLost
            | Self::NewerLost
            | Self::NewerDoubtful
            | Self::Gap
            | Self::FileCut
            | Self::BlocksMissing => true,
        }
    }
}

/// An image, understood.
#[derive(Clone, Debug)]
pub struct Survey<'a> {
    /// The bytes.
    pub region: Region<'a>,
    /// Its sectors, by physical number.
    pub sectors: Vec<Sector>,
    /// Its records, in the order they were met.
    pub records: Vec<Entry<'a>>,
    /// Sector and facts of the head.
    pub head: Option<(u32, Facts)>,
    /// Number of the record that gives each key its value.
    pub live: BTreeMap<&'a [u8], usize>,
    /// Interruptions and damage.
    pub findings: Vec<Finding<'a>>,
    /// The last record, which the next mount will copy.
    pub suspect: Option<usize>,
    /// Sectors with records newer than the head.
    pub newer: BTreeMap<u32, Standing>,
    deletes: BTreeMap<&'a [u8], usize>,
    by_address: BTreeMap<u32, usize>,
}

/// A record whose part in the log depends on what stands behind it.
#[derive(Clone, Copy)]
struct Held<'a> {
    number: usize,
    settle: Option<(Settle<'a>, Option<usize>)>,
}

impl<'a> Survey<'a> {
    /// Takes an image apart.
    #[must_use]
    pub fn new(region: Region<'a>) -> Self {
        let survey = Self::take_apart(region, true);
        // In a long log it takes a mount to see whether there is room to keep the last record.
        let sectors = region.shape().sectors;
        let is_long = |(_, head): (u32, Facts)| head.sequence - head.oldest + 2 >= sectors;
        if survey.suspect.is_none() || !survey.head.is_some_and(is_long) {
            return survey;
        }
        let without = Self::take_apart(region, false);
        if survey.is_refuted_for(&without) { without } else { survey }
    }

    /// Whether a mount of a copy shows what `other` shows, where the two differ.
    fn is_refuted_for(&self, other: &Self) -> bool {
        let value = |survey: &Self, key: &[u8]| {
            let record = &survey.records.get(*survey.live.get(key)?)?.record;
            Some(record.value.to_vec())
        };
        let mut keys: Vec<&[u8]> = self.live.keys().chain(other.live.keys()).copied().collect();
        keys.retain(|key| value(self, key) != value(other, key));
        let region = &self.region;
        let shape = Shape::from(region.shape());
        let bytes = u32::try_from(shape.bytes()).ok().and_then(|whole| region.bytes(0, whole));
        let Some(bytes) = bytes.filter(|_| !keys.is_empty()) else { return false };
        let Ok(mut mounted) = Mounted::open(bytes.to_vec(), &shape) else { return false };
        keys.iter().all(|key| mounted.get(key) == Ok(value(other, key)))
    }

    /// The same with or without the last record of the log, if that is not proven.
    fn take_apart(region: Region<'a>, keeps_last: bool) -> Self {
        let mut survey = Self {
            region,
            sectors: Vec::new(),
            records: Vec::new(),
            head: region.head(),
            live: BTreeMap::new(),
            findings: Vec::new(),
            suspect: None,
            newer: BTreeMap::new(),
            deletes: BTreeMap::new(),
            by_address: BTreeMap::new(),
        };
        survey.sectors = (0..region.shape().sectors).map(|n| survey.sector(n)).collect();
        if let Some((_, head)) = survey.head {
            for sequence in head.oldest..=head.sequence {
                survey.walk_log(sequence, head, keeps_last);
            }
        }
        for number in 0..region.shape().sectors {
            if !survey.is_log(number) {
                survey.walk_dead(number);
            }
        }
        survey.look_for_newer();
        survey.look_for_damage();
        survey.sum_live();
        survey
    }

    /// Address of a sector.
    #[must_use]
    pub const fn base(&self, sector: u32) -> u32 {
        sector * self.region.shape().sector_bytes
    }

    fn is_log(&self, sector: u32) -> bool {
        let role = self.sectors.get(sector as usize).map(|sector| sector.role);
        matches!(role, Some(Role::Head | Role::Log | Role::Tail))
    }

    fn sector(&self, number: u32) -> Sector {
        let region = &self.region;
        let shape = region.shape();
        let base = self.base(number);
        let opening = region.opening(number);
        let facts = opening.ok().or_else(|| region.facts_from_settle(number));
        let log_number = self.head.and_then(|(_, head)| {
            let behind = head.sequence.wrapping_sub(number) % shape.sectors;
            let sequence = head.sequence.checked_sub(behind)?;
            (sequence >= head.oldest && sequence % shape.sectors == number)
                .then_some((sequence, head))
        });
        let bytes = region.bytes(base, base + shape.sector_bytes);
        let role = match (log_number, self.head, facts) {
            (Some((sequence, head)), ..) if sequence == head.sequence => Role::Head,
            (Some((sequence, head)), ..) if sequence == head.oldest => Role::Tail,
            (Some(_), ..) => Role::Log,
            (None, Some((_, head)), Some(facts)) => {
                if (facts.epoch, facts.sequence) > (head.epoch, head.sequence) {
                    Role::Unfinished
                } else {
                    Role::Retired
                }
            }
            (None, None, Some(_)) => Role::Stray,
            (None, _, None) => match bytes {
                None => Role::Missing,
                Some(bytes) if bytes.iter().all(|b| *b == 0xFF) => Role::Blank,
                Some(_) => Role::Dead,
            },
        };
        Sector { role, facts, opening: opening.map(|_| ()), end: base, live_bytes: 0 }
    }

    fn add(
        &mut self,
        record: Record<'a>,
        life: (u32, u32),
        passes: bool,
        state: State,
        carried_by: Option<usize>,
    ) -> usize {
        let number = self.records.len();
        let sector = record.address / self.region.shape().sector_bytes;
        self.records.push(Entry { record, sector, life, passes, state, carried_by });
        self.by_address.insert(record.address, number);
        number
    }

    /// Walks a sector of the log and lets its records take effect.
    fn walk_log(&mut self, sequence: u32, head: Facts, keeps_last: bool) {
        let region = self.region;
        let shape = region.shape();
        let sector = sequence % shape.sectors;
        let base = self.base(sector);
        let life = (head.epoch, sequence);
        let is_head = sequence == head.sequence;
        let limit = if is_head {
            shape.sector_bytes
        } else if sequence + 1 == head.sequence {
            head.previous_end
        } else {
            let next = region.facts(head.epoch, sequence + 1);
            next.map_or(shape.sector_bytes, |next| next.previous_end)
        };
        let limit = limit.min(shape.sector_bytes);
        let mut events = Vec::new();
        let stop = region.walk(sector, life, limit, &mut |event| events.push(event));
        let (mut before, mut last) = (None, None);
        for event in events {
            match event {
                Event::Record(record, passes) => {
                    let number = self.add(record, life, passes, State::Void(Void::NoCommit), None);
                    if let Some(held) = before.take() {
                        self.apply(&held);
                    }
                    before = last.replace(Held { number, settle: None });
                }
                Event::Settled(at, record, settle) => {
                    let number = self.add(record, life, true, State::InForce, None);
                    let cargo = settle.cargo.map(|cargo| {
                        let passes = region.passes(&cargo, life.0, life.1);
                        self.add(cargo, life, passes, State::Void(Void::NoCommit), Some(number))
                    });
                    for held in [before.take(), last.take()].into_iter().flatten() {
                        if self.records[held.number].record.address < settle.accepted_end {
                            self.apply(&held);
                        } else {
                            self.make_void(&held, record.address);
                        }
                    }
                    if settle.accepted_end > at {
                        // The accepted log went on behind a place that does not read now.
                        self.note_hidden(at, record.address.min(settle.accepted_end), life);
                    }
                    last = Some(Held { number, settle: Some((settle, cargo)) });
                }
            }
        }
        if is_head {
            self.judge(before, last, head, keeps_last);
            self.look_behind(stop, life);
        } else {
            for held in [before, last].into_iter().flatten() {
                self.apply(&held);
            }
            if stop < base + limit {
                self.note_hidden(stop, base + limit, life);
            }
        }
        let end = self.add_chain(stop.max(base), life, Void::BehindEnd);
        if let Some(sector) = self.sectors.get_mut(sector as usize) {
            sector.end = end;
        }
    }

    /// Adds the records that stand one behind the other from `at` on.
    fn add_chain(&mut self, mut at: u32, life: (u32, u32), why: Void) -> u32 {
        let size = self.region.shape().sector_bytes;
        let limit = at / size * size + size;
        while at < limit
            && let Some(record) = self.region.record(at, limit)
        {
            let passes = self.region.passes(&record, life.0, life.1);
            if !self.by_address.contains_key(&record.address) {
                self.add(record, life, passes, State::Void(why), None);
            }
            at = self.region.place(record.end);
        }
        at
    }

    /// A later settle record says that this does not count.
    fn make_void(&mut self, held: &Held<'a>, settle: u32) {
        match held.settle {
            None => self.set(held.number, State::Void(Void::NotAccepted(settle))),
            Some((_, cargo)) => {
                if let Some(cargo) = cargo {
                    self.set(cargo, State::Void(Void::HandedOn(settle)));
                }
            }
        }
    }

    fn set(&mut self, number: usize, state: State) {
        if let Some(entry) = self.records.get_mut(number) {
            entry.state = state;
        }
    }

    /// Lets a record take effect.
    fn apply(&mut self, held: &Held<'a>) {
        let number = match held.settle {
            None => held.number,
            Some((_, Some(cargo))) => cargo,
            Some((_, None)) => return,
        };
        let Some(entry) = self.records.get(number).copied() else { return };
        match entry.record.kind {
            RecordKind::Put | RecordKind::Tally | RecordKind::Delete => self.apply_change(number),
            RecordKind::Commit => {
                self.set(number, State::InForce);
                self.apply_batch(&entry);
            }
            RecordKind::Seal | RecordKind::Settle => self.set(number, State::InForce),
            RecordKind::PendingPut | RecordKind::PendingDelete => {}
        }
    }

    fn apply_batch(&mut self, commit: &Entry<'a>) {
        let (start, end) = self.region.extent(&commit.record);
        let mut batch = Vec::new();
        let mut at = start;
        while at < end {
            let Some(record) = self.region.record(at, end) else {
                self.note(Kind::Hidden, at, Vec::new());
                break;
            };
            let number = match self.by_address.get(&at) {
                Some(number) => *number,
                None => {
                    let (epoch, sequence) = commit.life;
                    let passes = self.region.passes(&record, epoch, sequence);
                    self.add(record, commit.life, passes, State::Void(Void::NoCommit), None)
                }
            };
            batch.push((number, record.kind));
            at = self.region.place(record.end);
        }
        for kind in [RecordKind::PendingDelete, RecordKind::PendingPut] {
            for (number, _) in batch.iter().filter(|(_, k)| *k == kind) {
                self.apply_change(*number);
            }
        }
    }

    fn apply_change(&mut self, number: usize) {
        let Some(entry) = self.records.get(number).copied() else { return };
        let key = entry.record.key;
        let old = [self.live.remove(key), self.deletes.remove(key)];
        for old in old.into_iter().flatten() {
            self.set(old, State::Replaced(number));
        }
        if matches!(entry.record.kind, RecordKind::Put | RecordKind::Tally | RecordKind::PendingPut)
        {
            self.live.insert(key, number);
            self.set(number, State::Live);
        } else {
            self.deletes.insert(key, number);
            self.set(number, State::InForce);
        }
    }

    /// Decides about the last two records of the head.
    fn judge(
        &mut self,
        before: Option<Held<'a>>,
        last: Option<Held<'a>>,
        head: Facts,
        keeps_last: bool,
    ) {
        let proven = self.base(head.sequence % self.region.shape().sectors) + head.proven_end;
        let mut undecided = [last, before];
        let mut suspect = None;
        for place in &mut undecided {
            let Some(held) = *place else { break };
            let Some(entry) = self.records.get(held.number).copied() else { break };
            if entry.record.address < proven {
                break;
            }
            *place = None;
            if let Some((_, cargo)) = held.settle {
                suspect = cargo;
                break;
            }
            if entry.passes {
                suspect = Some(held.number);
                break;
            }
            self.set(held.number, State::Void(Void::Torn));
            self.note(Kind::Torn, entry.record.address, Vec::new());
        }
        let [last, before] = undecided;
        for held in [before, last].into_iter().flatten() {
            self.apply(&held);
        }
        if let Some(number) = suspect {
            if keeps_last {
                self.apply(&Held { number, settle: None });
            } else {
                self.set(number, State::Void(Void::NoRoom));
            }
            let kind = self.records.get(number).map(|entry| entry.record.kind);
            let copied = matches!(
                kind,
                Some(RecordKind::Put | RecordKind::Tally | RecordKind::Delete | RecordKind::Commit)
            );
            self.suspect = (copied && keeps_last).then_some(number);
            if matches!(kind, Some(RecordKind::PendingPut | RecordKind::PendingDelete)) {
                self.note(Kind::NoCommit, self.records[number].record.address, Vec::new());
            }
        }
    }

    /// What stands behind the log's end in the head.
    fn look_behind(&mut self, stop: u32, life: (u32, u32)) {
        let region = self.region;
        let shape = region.shape();
        let size = shape.sector_bytes;
        let base = self.base(life.1 % shape.sectors);
        let limit = base + size;
        if stop >= limit {
            return;
        }
        let hidden = self.hidden(stop, limit, life);
        if !hidden.is_empty() {
            self.note(Kind::Hidden, stop, hidden);
            return;
        }
        let page_end = (stop / shape.page_bytes + 1) * shape.page_bytes;
        let begun = |from, to| {
            region.bytes(from, to).is_some_and(|bytes: &[u8]| bytes.iter().any(|b| *b != 0xFF))
        };
        if begun(stop, page_end.min(limit)) {
            self.note(Kind::Begun, stop, Vec::new());
        }
        if begun(page_end.min(limit), limit) {
            self.note(Kind::MountCut, page_end, Vec::new());
        }
    }

    /// Records behind a place that does not read, which no mount reaches.
    fn note_hidden(&mut self, from: u32, to: u32, life: (u32, u32)) {
        let keys = self.hidden(from, to, life);
        self.note(Kind::Hidden, from, keys);
    }

    /// Keys of records between two addresses that pass their checks although no walk meets them.
    fn hidden(&self, from: u32, to: u32, life: (u32, u32)) -> Vec<&'a [u8]> {
        let shape = self.region.shape();
        let (trace, _) = self.region.passed_bytes();
        let mut keys = Vec::new();
        let mut at = from;
        while at < to {
            let record = self.region.record(at, to);
            match record.filter(|record| self.region.passes(record, life.0, life.1)) {
                // The copy that a torn settle record carries is no record of its own.
                Some(record) if at % shape.page_bytes != trace + record.header_bytes + 19 => {
                    if !record.key.is_empty() && !keys.contains(&record.key) {
                        keys.push(record.key);
                    }
                    at = record.end.max(at + shape.unit);
                }
                _ => at += shape.unit,
            }
        }
        keys
    }

    fn note(&mut self, kind: Kind, address: u32, keys: Vec<&'a [u8]>) {
        self.findings.push(Finding { kind, address, keys });
    }

    /// Adds the records of a sector that is no part of the log.
    fn walk_dead(&mut self, number: u32) {
        let Some(sector) = self.sectors.get(number as usize).copied() else { return };
        let Some(facts) = sector.facts else { return };
        let why = match (sector.role, self.head) {
            (Role::Unfinished, _) => Void::Unfinished,
            (_, Some((_, head))) if facts.epoch < head.epoch => Void::BeforeReset,
            (_, Some(_)) => Void::Retired,
            (_, None) => Void::NoLog,
        };
        let life = (facts.epoch, facts.sequence);
        let mut events = Vec::new();
        let size = self.region.shape().sector_bytes;
        let end = self.region.walk(number, life, size, &mut |event| events.push(event));
        for event in events {
            match event {
                Event::Record(record, passes) => {
                    self.add(record, life, passes, State::Void(why), None);
                }
                Event::Settled(_, record, settle) => {
                    let number = self.add(record, life, true, State::Void(why), None);
                    if let Some(cargo) = settle.cargo {
                        let passes = self.region.passes(&cargo, life.0, life.1);
                        self.add(cargo, life, passes, State::Void(why), Some(number));
                    }
                }
            }
        }
        if let Some(sector) = self.sectors.get_mut(number as usize) {
            sector.end = end;
        }
    }

    /// Sectors that may be newer than the head: their start was spoilt, or a turn was cut off.
    fn look_for_newer(&mut self) {
        for Newer { sector, standing, keys } in newer::sectors(self) {
            self.newer.insert(sector, standing);
            match standing {
                Standing::Turn => {}
                Standing::Doubtful => self.note(Kind::NewerDoubtful, self.base(sector), keys),
                Standing::Lost => self.note(Kind::NewerLost, self.base(sector), keys),
            }
        }
    }

    fn look_for_damage(&mut self) {
        for number in 0..self.records.len() {
            let entry = self.records[number];
            let kind = match entry.state {
                State::Live => Kind::LiveDamaged,
                State::Replaced(_) | State::InForce => Kind::OldDamaged,
                State::Void(_) => continue,
            };
            if !entry.passes {
                let keys =
                    if kind == Kind::LiveDamaged { vec![entry.record.key] } else { Vec::new() };
                self.note(kind, entry.record.address, keys);
            } else if entry.state == State::Live
                && let Some(tally) = self.region.tally(&entry.record).filter(|tally| tally.is_begun)
            {
                let at = tally.cells_at;
                self.note(Kind::TickCut, at, vec![entry.record.key]);
            }
        }
        let shape = self.region.shape();
        for number in 0..shape.sectors {
            let base = self.base(number);
            let sector = self.sectors[number as usize];
            if self.region.bytes(base, base + shape.sector_bytes).is_none() {
                self.note(Kind::Missing, base, Vec::new());
            } else if self.is_log(number) && sector.opening.is_err() {
                self.note(Kind::OpeningLost, base, Vec::new());
            }
        }
        let Some((head_sector, _)) = self.head else { return };
        // The sector behind the head: only there a turn can have been interrupted.
        let next = (head_sector + 1) % shape.sectors;
        let base = self.base(next);
        if self.newer.get(&next).is_some_and(|standing| *standing != Standing::Turn) {
            return;
        }
        match self.sectors[next as usize].role {
            Role::Unfinished => self.note(Kind::TurnCut, base, Vec::new()),
            Role::Dead => {
                let opening = self.region.bytes(base, base + self.region.mark_offset());
                let killed = opening.is_some_and(|bytes| bytes.iter().all(|b| *b == 0));
                if !killed {
                    self.note(Kind::TurnCut, base, Vec::new());
                }
            }
            _ => {}
        }
    }

    fn sum_live(&mut self) {
        for number in self.live.values() {
            let Some(entry) = self.records.get(*number) else { continue };
            if let Some(sector) = self.sectors.get_mut(entry.sector as usize) {
                sector.live_bytes += entry.record.end - entry.record.address;
            }
        }
    }

    /// Keys that have a tally in flash: counters.
    #[must_use]
    pub fn counters(&self) -> BTreeSet<Vec<u8>> {
        let tally = |entry: &&Entry<'_>| entry.record.kind == RecordKind::Tally && entry.passes;
        self.records.iter().filter(tally).map(|entry| entry.record.key.to_vec()).collect()
    }

    /// Whether a key's value is a tally, which the next mount closes.
    #[must_use]
    pub fn is_open_tally(&self, key: &[u8]) -> bool {
        let live = self.live.get(key).and_then(|number| self.records.get(*number));
        live.is_some_and(|entry| entry.record.kind == RecordKind::Tally && entry.passes)
    }

    /// All versions of a key that are still in flash, newest first, as numbers of records.
    #[must_use]
    pub fn history(&self, key: &[u8]) -> Vec<usize> {
        let mut numbers: Vec<usize> =
            (0..self.records.len()).filter(|n| self.records[*n].record.key == key).collect();
        numbers.sort_by_key(|n| {
            let entry = &self.records[*n];
            std::cmp::Reverse((entry.life, entry.record.address))
        });
        numbers
    }
}
