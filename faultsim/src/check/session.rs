//! Runs the code under test on a part: powers it up, applies operations and reads everything.
//! Checks every promise that one power-up alone can break.

use core::ops::Range;

use super::collateral_loss::{Hit, Seen};
use super::finding::{Breach, Finding, When};
use super::histogram::WorkHistogram;
use super::oracle::{ABSENT, Oracle, Values};
use super::panics::caught;
use crate::part::{Bias, Chip, DeviceTime, Geometry, Image, Part};
use crate::subject::{Bounds, KeyNames, Op, Subject, Trouble, Work};

/// Flash calls granted to one power-up, for each byte of the part, before it counts as an endless
/// loop. Code that scans the part byte by byte in a recovery and in some operations needs fewer.
const FUEL_PER_BYTE: u64 = 64;
/// The most flash calls granted to one power-up, however large the part.
const MOST_FUEL: u64 = 1_000_000;
/// Flash calls granted to the long uncut run before the cuts.
const FUEL_OF_A_LIFE: u64 = 200_000_000;

/// How an operation ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Ended {
    Done,
    Full,
    Refused,
    /// The code gave up because of a bad sector, and may do so. Whether anything changed is open.
    Failed,
    /// The armed cut came.
    Cut,
}

/// The most expensive recovery and the most expensive operation met, and what the units endure.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct WorstCase {
    /// Work of one power-up until the settings can be read.
    pub open: Work,
    /// Bytes read in one power-up until the settings can be read.
    pub open_read_bytes: u64,
    /// Simulated device time of the longest power-up, in nanoseconds.
    pub open_time: DeviceTime,
    /// Work of one operation.
    pub op: Work,
    /// The distribution of the work that power-ups took.
    pub opens: WorkHistogram,
    /// The most programs of one unit between two completed erases of its sector, counted up to 127;
    /// 0 if they are not counted, see [`SecondPrograms`](crate::part::SecondPrograms).
    #[serde(default, skip_serializing_if = "is_zero")]
    pub most_programs: u32,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde passes a reference")]
const fn is_zero(number: &u32) -> bool {
    *number == 0
}

impl WorstCase {
    /// The larger of each figure.
    pub fn merge(&mut self, other: &Self) {
        self.open = self.open.max(other.open);
        self.op = self.op.max(other.op);
        self.opens.add(&other.opens);
        self.open_read_bytes = self.open_read_bytes.max(other.open_read_bytes);
        self.most_programs = self.most_programs.max(other.most_programs);
        let (mine, theirs) = (&mut self.open_time, other.open_time);
        mine.typical_ns = mine.typical_ns.max(theirs.typical_ns);
        mine.maximal_ns = mine.maximal_ns.max(theirs.maximal_ns);
    }
}

/// A part, and what is needed to run a store on it and to check its answers.
pub(crate) struct Session<'run, S: Subject> {
    pub(crate) subject: &'run S,
    pub(crate) part: Part,
    keys: &'run KeyNames,
    bounds: Option<Bounds>,
    /// Whether the part may fill up.
    may_fill: bool,
    worst: WorstCase,
    /// For the wording of findings.
    pub(crate) when: When,
    fuel: u64,
    /// Value read last; kept for its allocation.
    seen: Vec<u8>,
    listed: Vec<bool>,
    /// Where the part has collateral damage. With such damage less is owed, and what is seen is
    /// noted.
    pub(crate) hit: Hit,
    pub(crate) noticed: Seen,
    /// Calls that failed for a bad sector, and power-ups in which the code did not come up for it.
    pub(crate) failed_calls: u64,
    pub(crate) stayed_down: u64,
    /// Which settings are known to be stored in other sectors, by number; empty if none is.
    pub(crate) apart: Vec<bool>,
}

impl<'run, S: Subject> Session<'run, S> {
    pub(crate) fn new(
        subject: &'run S,
        geometry: &Geometry,
        keys: &'run KeyNames,
        may_fill: bool,
    ) -> Self {
        Self {
            subject,
            part: Part::new(Chip::new(*geometry)),
            keys,
            bounds: subject.bounds(geometry),
            may_fill,
            worst: WorstCase::default(),
            when: When::default(),
            fuel: (FUEL_PER_BYTE * u64::from(geometry.bytes())).min(MOST_FUEL),
            seen: Vec::new(),
            listed: Vec::new(),
            hit: Hit::NONE,
            noticed: Seen::default(),
            failed_calls: 0,
            stayed_down: 0,
            apart: Vec::new(),
        }
    }

    /// A blank part that treats second programs as the code asks for.
    pub(crate) fn blank(subject: &S, geometry: &Geometry) -> Image {
        let mut image = Image::blank(geometry);
        image.set_second_programs(geometry, subject.second_programs());
        image
    }

    /// The most expensive power-up and operation of this session, and the most programs of a unit.
    pub(crate) fn worst(&self) -> WorstCase {
        WorstCase { most_programs: self.part.chip().most_programs(), ..self.worst }
    }

    /// Grants as many flash calls as a whole uncut run takes.
    pub(crate) fn long_life(mut self) -> Self {
        self.fuel = FUEL_OF_A_LIFE;
        self
    }

    /// Work since power-up.
    pub(crate) fn work(&self) -> Work {
        let counts = self.part.chip().counts();
        Work { reads: counts.reads, programs: counts.program_calls, erases: counts.erases }
    }

    /// Loads the cells and switches the power on. The code under test has not run yet.
    pub(crate) fn power_up(&mut self, image: &Image, bias: Bias, record: bool) {
        let mut chip = self.part.chip_mut();
        chip.power_up(image, bias);
        chip.set_fuel(self.fuel);
        chip.record_steps(record);
        chip.permit_second_programs(!self.hit.is_none());
    }

    /// The microcontroller starts again on a part that never lost its power.
    pub(crate) fn restart(&mut self) {
        self.part.chip_mut().restart();
    }

    /// Brings the code up. `None` if the armed cut came.
    pub(crate) fn open(&mut self) -> Result<Option<S::Store>, Finding> {
        let opened = caught(|| self.subject.open(&self.part));
        if self.part.chip().is_off() {
            // Whatever the code did or said after the cut never happened.
            return opened.map(|_| None).map_err(|panic| self.panicked("while mounting", &panic));
        }
        let store = match opened {
            Ok(Ok(store)) => store,
            Ok(Err(trouble)) => {
                self.check_part("while mounting")?;
                let sentence =
                    format!("{} it fails to mount: {}", self.when.cuts_in_words(), said(&trouble));
                return Err(died_or(&trouble, Breach::NotOpening, sentence));
            }
            Err(panic) => return Err(self.panicked("while mounting", &panic)),
        };
        self.check_part("while mounting")?;
        let work = self.work();
        self.worst.open = self.worst.open.max(work);
        self.worst.opens.note(work);
        {
            let chip = self.part.chip();
            let (bytes, time) = (chip.counts().read_bytes, chip.time());
            self.worst.open_read_bytes = self.worst.open_read_bytes.max(bytes);
            let worst = &mut self.worst.open_time;
            worst.typical_ns = worst.typical_ns.max(time.typical_ns);
            worst.maximal_ns = worst.maximal_ns.max(time.maximal_ns);
        }
        if let Some(bounds) = self.bounds.filter(|bounds| !work.within(bounds.open)) {
            let sentence = format!("mounting took {work}; at most {} are stated", bounds.open);
            return Err(Finding::new(Breach::OverBounds, sentence));
        }
        Ok(Some(store))
    }

    /// Runs one operation that is not [`Op::Reopen`].
    pub(crate) fn apply(&mut self, store: &mut S::Store, op: &Op) -> Result<Ended, Finding> {
        let before = self.work();
        let result = caught(|| self.subject.apply(store, op, self.keys));
        self.noticed.twice |= self.part.chip().programmed_twice();
        let during = || format!("in {}", op.describe(self.keys));
        let result = result.map_err(|panic| self.panicked(&during(), &panic))?;
        if self.part.chip().is_off() {
            return Ok(Ended::Cut);
        }
        if self.part.chip().violations().is_empty() && result.is_ok() {
            let after = self.work();
            let work = Work {
                reads: after.reads - before.reads,
                programs: after.programs - before.programs,
                erases: after.erases - before.erases,
            };
            self.worst.op = self.worst.op.max(work);
            if let Some(bounds) = self.bounds.filter(|bounds| !work.within(bounds.op)) {
                let what = op.kind();
                let sentence = format!("one {what} took {work}; at most {} are stated", bounds.op);
                return Err(Finding::new(Breach::OverBounds, sentence));
            }
            return Ok(Ended::Done);
        }
        self.check_part(&during())?;
        match result {
            Ok(()) => Ok(Ended::Done),
            Err(Trouble::Full) if self.may_fill => Ok(Ended::Full),
            Err(Trouble::Broken(_) | Trouble::Full) if self.may_fail() => {
                self.failed_calls += 1;
                Ok(Ended::Failed)
            }
            Err(Trouble::Refused(_)) => Ok(Ended::Refused),
            Err(trouble) => {
                let sentence = format!(
                    "{} {} fails: {}",
                    self.when.cuts_in_words(),
                    op.describe(self.keys),
                    said(&trouble)
                );
                Err(died_or(&trouble, Breach::NotWritable, sentence))
            }
        }
    }

    /// Whether a call may fail for a bad sector.
    fn may_fail(&self) -> bool {
        self.part.chip().image().bad().is_some()
    }

    /// Whether the code may refuse to come up because of a bad sector, provided that the settings
    /// can be read.
    pub(crate) fn may_stay_down(&self, finding: &Finding) -> bool {
        finding.breach == Breach::NotOpening && self.may_fail()
    }

    /// Reads every setting of a part on which the code does not come up, and lets the oracle judge
    /// them. This does not bind later power-ups: nothing was settled.
    pub(crate) fn view_all(&mut self, oracle: &Oracle, values: &Values) -> Result<(), Finding> {
        self.stayed_down += 1;
        let mut oracle = oracle.clone();
        let after = self.when.cuts_in_words();
        let mut seen = Vec::new();
        let mut has_unsettled = false;
        let mut each = |key, value: Result<Option<&[u8]>, Trouble>| {
            seen.push((key, value.map(|value| value.map(<[u8]>::to_vec))));
        };
        let viewed = caught(|| self.subject.view(&self.part, self.keys, &mut each));
        let viewed = viewed.map_err(|panic| self.panicked("while viewing", &panic))?;
        let cannot = |why: &str| {
            let sentence =
                format!("{after} it fails to mount, and its settings cannot be read: {why}");
            Finding::new(Breach::NotOpening, sentence)
        };
        match viewed {
            None => return Err(cannot("there is no way to read them without mounting")),
            Some(Err(trouble)) => return Err(cannot(&said(&trouble))),
            Some(Ok(())) => {}
        }
        for (key, value) in seen {
            match value {
                Ok(value) => {
                    let seen = value.as_deref();
                    oracle.read(key, seen, values).map_err(|contradiction| {
                        Finding::contradiction(&contradiction, seen, self.keys, values, &self.when)
                    })?;
                }
                // The last record of a log that was not settled may read differently each time,
                // whether a change was in flight or a copy.
                Err(_) if !core::mem::replace(&mut has_unsettled, true) => {}
                Err(trouble) => {
                    let name = self.keys.name(key);
                    let sentence = format!("{after} {name} cannot be read: {}", said(&trouble));
                    return Err(Finding::new(Breach::Damaged, sentence));
                }
            }
        }
        self.check_part("while viewing")
    }

    /// Checks that a full part may refuse this operation for lack of room. Deleting, and replacing
    /// a value by one that is no longer, need no room and must not be refused.
    pub(crate) fn excuse(&self, op: &Op, oracle: &Oracle, values: &Values) -> Result<(), Finding> {
        let needs_room = match op {
            Op::Put { key, value } => {
                let len = |id| values.get(id).map(<[u8]>::len);
                !oracle.before(*key).all(|id| len(id).is_some_and(|len| len >= value.len()))
            }
            Op::Batch(_) => true,
            Op::Delete { .. } | Op::Clear | Op::Tidy | Op::Reopen => false,
        };
        if needs_room || !self.hit.is_none() || !self.subject.works_when_full() {
            return Ok(());
        }
        let (after, op) = (self.when.cuts_in_words(), op.describe(self.keys));
        let sentence = format!("{after} there is no room to {op}, which needs none");
        Err(Finding::new(Breach::NotWritable, sentence))
    }

    /// Reads one setting and lets the oracle judge it, unless the armed cut comes.
    pub(crate) fn read(
        &mut self,
        store: &mut S::Store,
        key: u16,
        oracle: &mut Oracle,
        values: &Values,
    ) -> Result<(), Finding> {
        let name = self.keys.name(key);
        let seen = &mut self.seen;
        let got = caught(|| self.subject.get(store, name, seen));
        if self.part.chip().is_off() && !self.part.chip().is_given_up() {
            return Ok(());
        }
        match got {
            Ok(Ok(present)) => {
                let seen = present.then_some(self.seen.as_slice());
                if !self.hit.is_none() {
                    let allowed = oracle.allows(key, seen, values);
                    if allowed {
                        // This keeps the allowed states few; it contradicts none of them.
                        let _ = oracle.read(key, seen, values);
                    }
                    let written = seen.is_none_or(|value| values.is_written(key, value));
                    let absent = seen.is_none();
                    return self.read_hurt(key, allowed, written, absent);
                }
                oracle.read(key, seen, values).map_err(|contradiction| {
                    Finding::contradiction(&contradiction, seen, self.keys, values, &self.when)
                })
            }
            Ok(Err(Trouble::Corrupt)) if !self.hit.is_none() => {
                self.noticed.corrupt = true;
                self.noticed.elsewhere |= self.stands_apart(key);
                self.check_part(&format!("reading {name}"))
            }
            Ok(Err(trouble)) => {
                self.check_part(&format!("reading {name}"))?;
                let after = self.when.cuts_in_words();
                let sentence = format!("{after} {name} cannot be read: {}", said(&trouble));
                Err(died_or(&trouble, Breach::Damaged, sentence))
            }
            Err(panic) => Err(self.panicked(&format!("reading {name}"), &panic)),
        }
    }

    /// Checks a value that was read after collateral damage.
    fn read_hurt(
        &mut self,
        key: u16,
        allowed: bool,
        written: bool,
        absent: bool,
    ) -> Result<(), Finding> {
        if !written {
            let (after, name) = (self.when.cuts_in_words(), self.keys.name(key));
            let sentence = format!("{after} {name} reads as data that was never written to it");
            return Err(Finding::new(Breach::Invented, sentence));
        }
        self.noticed.lost |= !allowed && absent;
        self.noticed.older |= !allowed && !absent;
        self.stays_within(key, allowed)
    }

    /// Whether a setting is known to be stored outside the sectors that were hit.
    fn stands_apart(&self, key: u16) -> bool {
        self.apart.get(usize::from(key)).is_some_and(|apart| *apart)
    }

    /// A setting that is stored outside the sectors that were hit must read right.
    fn stays_within(&mut self, key: u16, right: bool) -> Result<(), Finding> {
        if !self.stands_apart(key) {
            return Ok(());
        }
        self.noticed.apart += 1;
        if right {
            return Ok(());
        }
        let (after, name) = (self.when.cuts_in_words(), self.keys.name(key));
        let sentence = format!(
            "{after} {name} is lost or older, although it is stored in a sector that was not hit"
        );
        Err(Finding::new(Breach::Escaped, sentence))
    }

    /// Which settings are present and served from sectors that were not hit, and not from what
    /// coming up has written. Code that answers from RAM does not show this.
    pub(crate) fn find_apart(&mut self, store: &mut S::Store, hit: Hit) -> Vec<bool> {
        let geometry = self.part.chip().geometry();
        let steps = self.part.chip_mut().take_steps();
        let written: Vec<Range<u32>> = steps.iter().map(|step| step.range(&geometry)).collect();
        let keys = self.keys.iter().map(|(_, name)| name);
        keys.map(|name| {
            self.part.chip_mut().watch_reads();
            let got = caught(|| self.subject.get(store, name, &mut self.seen));
            let reads = self.part.chip_mut().watch_reads();
            let touches = |read: &Range<u32>| {
                let last = read.end.saturating_sub(1);
                let moved = |step: &Range<u32>| step.start < read.end && read.start < step.end;
                hit.has(&geometry, read.start)
                    || hit.has(&geometry, last)
                    || written.iter().any(moved)
            };
            matches!(got, Ok(Ok(true))) && !reads.is_empty() && !reads.iter().any(touches)
        })
        .collect()
    }

    /// Whether the code may refuse to start on this part: no setting is known to be stored outside
    /// the sectors that were hit.
    pub(crate) fn is_excused(&self, finding: &Finding, apart: &[bool]) -> bool {
        finding.breach == Breach::NotOpening
            && !self.hit.is_none()
            && !apart.iter().any(|&apart| apart)
    }

    /// Reads every setting and the list of names, and lets the oracle judge them.
    pub(crate) fn read_all(
        &mut self,
        store: &mut S::Store,
        oracle: &mut Oracle,
        values: &Values,
    ) -> Result<(), Finding> {
        for (key, _) in self.keys.iter() {
            self.read(store, key, oracle, values)?;
        }
        self.compare_list(store, oracle)?;
        self.check_part("while reading")
    }

    fn compare_list(&mut self, store: &mut S::Store, oracle: &Oracle) -> Result<(), Finding> {
        let mut listed = std::mem::take(&mut self.listed);
        listed.clear();
        listed.resize(self.keys.len(), false);
        let mut wrong: Option<String> = None;
        let mut strange: Option<String> = None;
        let mut note = |name: &[u8]| match self.keys.find(name) {
            Some(key) if !listed[usize::from(key)] => listed[usize::from(key)] = true,
            Some(key) => {
                wrong.get_or_insert_with(|| format!("{} is listed twice", self.keys.name(key)));
            }
            None => {
                let name = String::from_utf8_lossy(name);
                wrong.get_or_insert_with(|| format!("'{name}' is listed but was never written"));
                strange.get_or_insert_with(|| name.into_owned());
            }
        };
        let answer = caught(|| self.subject.list(store, &mut note));
        if self.part.chip().is_off() && !self.part.chip().is_given_up() {
            return Ok(());
        }
        let answer = answer.map_err(|panic| self.panicked("listing the names", &panic))?;
        match answer {
            None => {}
            Some(Err(Trouble::Corrupt)) if !self.hit.is_none() => {
                self.noticed.corrupt = true;
                self.check_part("listing the names")?;
                wrong = None;
            }
            // A damaged name may be listed, but no value may be served under it.
            Some(Ok(())) if !self.hit.is_none() => {
                self.noticed.names |= wrong.take().is_some();
                wrong = strange.and_then(|name| self.serves(store, &name));
            }
            Some(Err(trouble)) => {
                self.check_part("listing the names")?;
                wrong = Some(format!("the names cannot be listed: {}", said(&trouble)));
            }
            Some(Ok(())) => {
                for (key, name) in self.keys.iter() {
                    let present = oracle.known(key).map(|value| value != ABSENT);
                    if wrong.is_none() && present.is_some_and(|is| is != listed[usize::from(key)]) {
                        wrong = Some(match present {
                            Some(true) => format!("{name} can be read but is not listed"),
                            _ => format!("{name} is listed but reads as absent"),
                        });
                    }
                }
            }
        }
        self.listed = listed;
        match wrong {
            None => Ok(()),
            Some(wrong) => {
                let sentence = format!("{} {wrong}", self.when.cuts_in_words());
                Err(Finding::new(Breach::Listing, sentence))
            }
        }
    }

    /// The finding if a value is served under a name that was never written.
    fn serves(&mut self, store: &mut S::Store, name: &str) -> Option<String> {
        match caught(|| self.subject.get(store, name, &mut self.seen)) {
            Ok(Ok(true)) => Some(format!("'{name}' has a value but was never written")),
            Ok(_) => None,
            Err(panic) => Some(format!("reading '{name}' ends in a panic: {panic}")),
        }
    }

    /// Contract violations and endless loops that the part has noticed.
    fn check_part(&self, during: &str) -> Result<(), Finding> {
        let chip = self.part.chip();
        if let Some(violation) = chip.violations().first() {
            return Err(Finding::new(Breach::Contract, format!("{during}: {violation}")));
        }
        let work = self.work();
        if work.reads + work.programs + work.erases >= self.fuel {
            return Err(Finding::new(
                Breach::Endless,
                format!("{during}: more than {} flash calls in one power-up", self.fuel),
            ));
        }
        Ok(())
    }

    fn panicked(&self, during: &str, message: &str) -> Finding {
        if self.part.chip().is_given_up() {
            // What the code did before may be wrong in another way.
            return self.check_part(during).err().unwrap_or_else(|| {
                let sentence =
                    format!("{during}: it repeats failing calls of the part without end");
                Finding::new(Breach::Endless, sentence)
            });
        }
        Finding::new(Breach::Panicked, format!("{during}: {message}"))
    }
}

/// A [`Trouble`] in words.
pub(crate) fn said(trouble: &Trouble) -> String {
    match trouble {
        Trouble::PowerOff => "it says the power is off, which it is not".to_owned(),
        Trouble::Full => "it says there is no room".to_owned(),
        Trouble::Corrupt => "it says the data is damaged".to_owned(),
        Trouble::Refused(reason) => format!("it refuses ({reason})"),
        Trouble::Broken(reason) | Trouble::Crashed(reason) | Trouble::TimedOut(reason) => {
            reason.clone()
        }
    }
}

/// The finding that a [`Trouble`] amounts to: `breach`, unless the code died.
fn died_or(trouble: &Trouble, breach: Breach, sentence: String) -> Finding {
    match trouble {
        Trouble::Crashed(_) => Finding::new(Breach::Panicked, sentence),
        Trouble::TimedOut(_) => {
            Finding { timed_out: true, ..Finding::new(Breach::Endless, sentence) }
        }
        _ => Finding::new(breach, sentence),
    }
}
