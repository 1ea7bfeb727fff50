//! Shrinks a failing history, so that a person can see what goes wrong.
//!
//! A shortened workload writes other bytes at other addresses, so the old cut means nothing in it,
//! and its cuts are searched for again. What must stay is the kind of failure.

use std::cmp::Reverse;
use std::time::{Duration, Instant};

use super::rerun::{replay, shrunk};
use crate::check::baseline::What;
use crate::check::finding::{Finding, Signature};
use crate::check::reading::BiasPick;
use crate::config::Systematic;
use crate::explore::bad_sectors::NO_STEP;
use crate::explore::clock::{Clock, Progress};
use crate::explore::context::Context;
use crate::explore::example::{Example, Stop};
use crate::explore::random::fails;
use crate::history::path::Path;
use crate::history::power_cycle::{KeptCycle, LifeChoices, PowerCycle, PowerCycles, Tearing};
use crate::history::token::{BadStart, Kept, Longer, Origin, Token};
use crate::part::{BadChange, Geometry, Level};
use crate::report::{Outcome, Violation};
use crate::subject::Subject;
use crate::workload::Workload;
use crate::workload::source::WorkloadSource;

/// Replaces the example of `violation` by the smallest one found within `limit`: fewest operations,
/// fewer and smaller sectors, longer values of one setting if that saves operations, shorter values
/// of all others; then the lowest fault level, the fewest cuts and the simplest tear. Leaves it as
/// it is if nothing smaller is found or the token belongs to another subject.
pub fn shrink<S: Subject>(violation: &mut Violation, subject: &S, limit: Duration) {
    let Ok(token) = violation.token.parse::<Token>() else { return };
    if token.subject != subject.name() {
        return;
    }
    let deadline = Instant::now().checked_add(limit);
    let is_late = || deadline.is_some_and(|deadline| Instant::now() >= deadline);
    let time_left =
        || deadline.map_or(limit, |deadline| deadline.saturating_duration_since(Instant::now()));
    let smaller = match &token.origin {
        Origin::Systematic { source, kept, thin, path, bad, .. } => {
            let made_for = kept.as_ref().and_then(|kept| kept.made_for);
            let made_for = made_for.unwrap_or(token.geometry);
            let search = Search {
                subject,
                token: &token,
                source: *source,
                thin: *thin,
                workload: source.build(&made_for),
                made_for,
                bad: *bad,
                signature: &violation.signature,
                is_late: &is_late,
                time_left: &time_left,
            };
            let first = path.cuts.first().map_or(0, |cut| cut.step as usize);
            search.shrink(kept.clone(), first, path.cuts.len())
        }
        Origin::Random(choices) => {
            let lives = Lives {
                subject,
                token: &token,
                choices,
                signature: &violation.signature,
                is_late: &is_late,
            };
            lives.shrink()
        }
    };
    if let Some((token, cuts)) = smaller {
        let replayed = replay(&token, subject);
        if replayed.outcome == Outcome::Reproduced {
            violation.becomes(&token, replayed, cuts);
        }
    }
}

/// Leaves out as many of `items` as possible while `fails` still holds, in halves, quarters and
/// so on down to single ones (after A. Zeller and R. Hildebrandt, "Simplifying and isolating
/// failure-inducing input", IEEE Trans. Software Eng. 28(2), 2002, without the complements).
fn fewest<T: Clone>(mut items: Vec<T>, mut fails: impl FnMut(&[T]) -> bool) -> Vec<T> {
    let mut chunk = items.len().div_ceil(2);
    while chunk > 0 {
        let mut any = false;
        let mut at = 0;
        while at < items.len() {
            let mut shorter = items[..at].to_vec();
            shorter.extend_from_slice(&items[(at + chunk).min(items.len())..]);
            if fails(&shorter) {
                items = shorter;
                any = true;
            } else {
                at += chunk;
            }
        }
        chunk = if chunk == 1 && any { 1 } else { chunk / 2 };
    }
    items
}

/// Lengths of long values, large parts of a sector first.
fn lengths(geometry: &Geometry) -> impl Iterator<Item = u32> + use<> {
    let sector_bytes = geometry.sector_bytes;
    [2, 3, 4, 6, 8, 12, 16].into_iter().map(move |part| sector_bytes / part)
}

/// A history with this few operations is not shortened further by longer values.
const FEW_OPERATIONS: usize = 3;
/// A history with more operations is first replaced by one with few of them.
const MANY_OPERATIONS: usize = 40;
/// These few operations are up to `FILLING` puts before the last operation, to one of `FILLED_KEYS`
/// settings, on up to `SMALL_PARTS` smaller parts.
const FILLING: usize = 8;
const FILLED_KEYS: usize = 3;
const SMALL_PARTS: usize = 4;

/// Parts with fewer or smaller sectors, smallest first.
fn smaller_parts(geometry: Geometry) -> impl Iterator<Item = Geometry> {
    let pages = geometry.sector_bytes / geometry.page.max(1);
    let smaller = (2..=geometry.sectors).flat_map(move |sectors| {
        let sizes = [2, 3, 4, 8, 16].into_iter().filter(move |&size| size < pages).chain([pages]);
        sizes.map(move |size| (sectors, size * geometry.page))
    });
    smaller
        .filter(move |&(sectors, bytes)| {
            (sectors, bytes) != (geometry.sectors, geometry.sector_bytes)
        })
        .filter_map(move |(sectors, bytes)| {
            Geometry::new(sectors, bytes, geometry.unit, geometry.page).ok()
        })
}

/// A search for failing cuts of shortened workloads.
struct Search<'search, S: Subject> {
    subject: &'search S,
    token: &'search Token,
    source: WorkloadSource,
    thin: u32,
    /// As it was before anything was left out.
    workload: Workload,
    /// The part it was made for.
    made_for: Geometry,
    /// When a sector goes bad, as in the token.
    bad: Option<BadStart>,
    signature: &'search Signature,
    is_late: &'search dyn Fn() -> bool,
    time_left: &'search dyn Fn() -> Duration,
}

/// Time for one attempt, including the last one, which makes the token of what was found in time.
/// Code that hangs takes seconds for each image.
const LEAST_TIME: Duration = Duration::from_secs(5);

/// A shrunk workload, and the part it runs on.
#[derive(Clone)]
struct Smaller {
    ops: Vec<u32>,
    most_value: u32,
    longer: Option<Longer>,
    geometry: Geometry,
}

impl<S: Subject> Search<'_, S> {
    fn shrink(&self, kept: Option<Kept>, first_cut: usize, cuts: usize) -> Option<(Token, u32)> {
        let depth = u32::try_from(cuts).ok()?;
        let level = self.token.level;
        let all = u32::try_from(self.workload.all_ops().count()).ok()?;
        let (ops, most_value, longer) = match &kept {
            Some(kept) => (kept.ops.clone(), kept.most_value, kept.longer),
            None => ((0..all).collect(), u32::MAX, None),
        };
        let mut smaller = Smaller { ops, most_value, longer, geometry: self.token.geometry };
        let end = match cuts {
            0 => smaller.ops.len(),
            _ => self.end(kept.as_ref(), first_cut).unwrap_or(smaller.ops.len()),
        };
        smaller.ops.truncate(end);
        let fails = |tried: &Smaller| !(self.is_late)() && self.find(tried, level, depth).is_some();
        let fewer = |smaller: &mut Smaller| {
            let mut tried = smaller.clone();
            smaller.ops = fewest(std::mem::take(&mut smaller.ops), |ops| {
                tried.ops = ops.to_vec();
                fails(&tried)
            });
        };
        if let Some(filled) = self.filled_by_few(&smaller).into_iter().find(&fails) {
            smaller = filled;
        }
        fewer(&mut smaller);
        // With two sectors a bad one is the end of all writing.
        let least = if self.bad.is_some() { smaller.geometry.sectors.min(3) } else { 2 };
        for geometry in smaller_parts(smaller.geometry).filter(|part| part.sectors >= least) {
            let mut tried = Smaller { geometry, ..smaller.clone() };
            // A small part is filled by less, so a failure that needs a full part may need fewer
            // operations.
            if fails(&tried) {
                fewer(&mut tried);
                smaller = tried;
                break;
            }
        }
        // What happens when a sector is full takes fewer operations with long values.
        for longer in self.longer_values(&smaller) {
            let mut tried = Smaller { longer: Some(longer), ..smaller.clone() };
            if smaller.ops.len() > FEW_OPERATIONS && fails(&tried) {
                fewer(&mut tried);
                if tried.ops.len() < smaller.ops.len() {
                    smaller = tried;
                }
            }
        }
        // Two bytes still identify the operation that wrote them.
        let lengths = (1..8).map(|power| 1 << power).filter(|&most| most < smaller.most_value);
        let mut shorter = lengths.map(|most_value| Smaller { most_value, ..smaller.clone() });
        smaller = shorter.find(&fails).unwrap_or(smaller);
        // Simplest circumstances first; the last of them is the one known to fail.
        let (mildest, (example, digest)) = Level::ALL
            .into_iter()
            .filter(|&tried| tried <= level && (self.bad.is_none() || tried == level))
            .flat_map(|tried| (depth.min(1)..=depth).map(move |cuts| (tried, cuts)))
            .find_map(|(tried, cuts)| Some((tried, self.find(&smaller, tried, cuts)?)))?;
        let cuts = u32::try_from(example.path.cuts.len()).ok()?;
        let token = Token {
            level: mildest,
            geometry: smaller.geometry,
            origin: Origin::Systematic {
                source: self.source,
                kept: Some(self.kept(&smaller)),
                thin: self.thin,
                path: example.path,
                bad: self.bad_start(&smaller),
                digest,
            },
            ..self.token.clone()
        };
        Some((token, cuts))
    }

    /// When a sector goes bad among fewer operations: before the same one.
    fn bad_start(&self, smaller: &Smaller) -> Option<BadStart> {
        let BadStart { from, kind } = self.bad?;
        let Origin::Systematic { kept, .. } = &self.token.origin else { return None };
        let first = match kept {
            Some(kept) => kept.ops.get(from as usize).copied(),
            None => Some(from),
        };
        let before = smaller.ops.iter().filter(|&&op| first.is_none_or(|first| op < first)).count();
        Some(BadStart { from: u32::try_from(before).ok()?, kind })
    }

    /// What was found before any cut, if it is what is looked for.
    fn without_cut(&self, finding: Finding) -> Option<(Example, u16)> {
        let signature = Signature::of(&finding, None, NO_STEP.to_owned());
        let path = Path { cuts: Vec::new(), last: BiasPick::Stored };
        (signature == *self.signature).then_some((Example { count: 1, path, finding }, 0))
    }

    fn kept(&self, smaller: &Smaller) -> Kept {
        let made_for = (smaller.geometry != self.made_for).then_some(self.made_for);
        let Smaller { ops, most_value, longer, .. } = smaller.clone();
        Kept { ops, most_value, made_for, longer }
    }

    /// Candidates for a long history: its last operation, and before it a few puts of long values
    /// to the same setting, on small parts too. They fill sectors as well, and take less time to
    /// try.
    fn filled_by_few(&self, smaller: &Smaller) -> Vec<Smaller> {
        let (all, ops) = (self.workload.all_ops().collect::<Vec<_>>(), &smaller.ops);
        let Some((&last, before)) = ops.split_last().filter(|_| ops.len() > MANY_OPERATIONS) else {
            return Vec::new();
        };
        let names = |op: u32, key: u16| all.get(op as usize).is_some_and(|op| op.names(key));
        let keys = self.workload.keys.iter().map(|(key, _)| key);
        let mut keys: Vec<(u16, Vec<u32>)> = keys
            .map(|key| (key, before.iter().copied().filter(|&op| names(op, key)).collect()))
            .collect();
        // Those that the last operation changes, then those that are changed most often.
        keys.sort_by_key(|(key, ops)| (!names(last, *key), Reverse(ops.len())));
        let parts = smaller_parts(smaller.geometry).take(SMALL_PARTS).chain([smaller.geometry]);
        let mut list = Vec::new();
        for geometry in parts {
            for (key, ops) in keys.iter().take(FILLED_KEYS) {
                let ops = ops[ops.len().saturating_sub(FILLING)..].iter().copied().chain([last]);
                let ops: Vec<u32> = ops.collect();
                list.extend(lengths(&geometry).map(|bytes| Smaller {
                    ops: ops.clone(),
                    longer: Some(Longer { key: *key, bytes }),
                    geometry,
                    ..*smaller
                }));
            }
        }
        list
    }

    /// Lengths to be tried for each setting.
    fn longer_values(&self, smaller: &Smaller) -> Vec<Longer> {
        let keys = || self.workload.keys.iter().map(|(key, _)| key);
        let each = |bytes| keys().map(move |key| Longer { key, bytes });
        let all = lengths(&smaller.geometry).flat_map(each);
        all.filter(|longer| longer.is_possible(smaller.ops.len())).collect()
    }

    /// How many operations happen up to the first cut.
    fn end(&self, kept: Option<&Kept>, first_cut: usize) -> Option<usize> {
        let workload = shrunk(self.workload.clone(), kept);
        let workload = match self.bad {
            Some(bad) => workload.explored_from(bad.from as usize),
            None => workload,
        };
        self.with(&workload, &self.token.geometry, self.token.level, 1, |context| {
            let prepared = context.prepare().ok()?;
            match prepared.baseline.trace.segment(first_cut)?.what {
                What::Recovery => Some(0),
                What::Op(op, _) => Some(workload.prelude.len() + op + 1),
            }
        })
    }

    /// The first failing cut in the last of these operations, or after it.
    fn find(&self, smaller: &Smaller, level: Level, depth: u32) -> Option<(Example, u16)> {
        let workload = shrunk(self.workload.clone(), Some(&self.kept(smaller)));
        let bad = self.bad_start(smaller);
        let workload = match bad {
            Some(bad) => workload.explored_from(bad.from as usize),
            None => workload,
        };
        self.with(&workload, &smaller.geometry, level, depth, |context| {
            let prepared = match context.prepare() {
                Ok(prepared) => prepared,
                Err(finding) => return self.without_cut(finding).filter(|_| bad.is_some()),
            };
            if depth == 0 {
                return None;
            }
            let trace = &prepared.baseline.trace;
            // What fails in an earlier operation fails without the later ones too.
            let last = trace.segments.last().map_or(0, |segment| segment.first);
            let from = if bad.is_some() { 0 } else { last };
            let cut_points = (from..=trace.steps.len()).collect();
            let progress = Progress::default();
            let clock = Clock::new(Some((self.time_left)().max(LEAST_TIME)), &progress);
            let stop = Stop::AtFirstLike(self.signature);
            let findings = context.explore(&prepared, cut_points, stop, &clock, None).findings;
            let example = findings.into_values().min_by_key(|example| example.path.cuts.len())?;
            let retold = crate::explore::retell::retell(context, &prepared, &example.path);
            Some((example, retold.digest))
        })
    }

    fn with<T>(
        &self,
        workload: &Workload,
        geometry: &Geometry,
        level: Level,
        depth: u32,
        work: impl FnOnce(&Context<'_, S>) -> Option<T>,
    ) -> Option<T> {
        let plan =
            Systematic { workload: self.source, depth, thin: self.thin, ..Systematic::default() };
        work(&Context {
            subject: self.subject,
            geometry,
            level,
            seed: self.token.seed,
            plan: &plan,
            workload,
            bad: self.bad.and_then(|bad| bad.kind),
        })
    }
}

/// The same for random lives: fewer power-ups, fewer operations, plainer cuts.
struct Lives<'search, S: Subject> {
    subject: &'search S,
    token: &'search Token,
    choices: &'search LifeChoices,
    signature: &'search Signature,
    is_late: &'search dyn Fn() -> bool,
}

impl<S: Subject> Lives<'_, S> {
    fn shrink(&self) -> Option<(Token, u32)> {
        let LifeChoices { run, power_ups, in_a_row, kept } = self.choices;
        let token = self.token;
        let counters = self.subject.has_counters();
        let source =
            || PowerCycles::new(token.seed, *run, (&token.geometry, token.level), counters);
        let keys = source().keys();
        let drawn = source().list(*power_ups, None);
        let cycles = source().list(*power_ups, kept.as_deref());
        let fails_at = |cycles: &[PowerCycle], level: Level| {
            fails(self.subject, &token.geometry, level, &keys, *in_a_row, cycles).as_ref()
                == Some(self.signature)
        };
        let still = |cycles: &[PowerCycle]| !(self.is_late)() && fails_at(cycles, token.level);
        if !still(&cycles) {
            return None;
        }
        let mut cycles = fewest(cycles, still);
        for at in 0..cycles.len() {
            let mut tried = cycles.clone();
            let ops = std::mem::take(&mut cycles[at].ops);
            cycles[at].ops = fewest(ops, |ops| {
                tried[at].ops = ops.to_vec();
                still(&tried)
            });
        }
        for at in 0..cycles.len() {
            plainer(&mut cycles, at, &still);
        }
        let cycles = fewest(cycles, still);
        let mildest = Level::ALL
            .into_iter()
            .find(|&level| {
                level < token.level && token.level < Level::F7 && fails_at(&cycles, level)
            })
            .unwrap_or(token.level);
        let kept = cycles.iter().map(|cycle| keep(cycle, &drawn)).collect::<Option<Vec<_>>>()?;
        let cuts = u32::try_from(cycles.len()).ok()?.saturating_sub(1);
        let origin = Origin::Random(LifeChoices { kept: Some(kept), ..self.choices.clone() });
        Some((Token { level: mildest, origin, ..token.clone() }, cuts))
    }
}

/// Later than any step of a power-up.
const AFTER_ALL_STEPS: u64 = 1 << 13;

/// Tries simpler values for what one power-up drew.
fn plainer(cycles: &mut Vec<PowerCycle>, at: usize, still: &dyn Fn(&[PowerCycle]) -> bool) {
    let mut attempt = |change: &dyn Fn(&mut PowerCycle)| {
        let mut tried = cycles.clone();
        change(&mut tried[at]);
        let better = still(&tried);
        if better {
            *cycles = tried;
        }
        better
    };
    // First of all a cut after the operations instead of one in a step.
    if !attempt(&|cycle| cycle.step = AFTER_ALL_STEPS) {
        let _ = attempt(&|cycle| cycle.tearing = Tearing::Nothing)
            || attempt(&|cycle| cycle.tearing = Tearing::Everything);
    }
    let _ = attempt(&|cycle| cycle.bad = BadChange::Stays)
        || attempt(&|cycle| cycle.bad = BadChange::ComesBack);
    let _ = attempt(&|cycle| cycle.bias = BiasPick::Stored)
        || attempt(&|cycle| cycle.bias = BiasPick::Zeros)
        || attempt(&|cycle| cycle.bias = BiasPick::Ones);
}

/// How a power-up differs from the one drawn.
fn keep(cycle: &PowerCycle, drawn: &[PowerCycle]) -> Option<KeptCycle> {
    let original = drawn.get(cycle.number as usize)?;
    let mut ops = 0_u32;
    let mut left = cycle.ops.iter().peekable();
    for (bit, op) in original.ops.iter().enumerate() {
        if left.next_if(|kept| *kept == op).is_some() {
            ops |= 1 << bit;
        }
    }
    left.peek().is_none().then_some(KeptCycle {
        number: cycle.number,
        ops,
        tearing: cycle.tearing,
        bias: (cycle.bias != original.bias).then_some(cycle.bias),
        bad: (cycle.bad != original.bad).then_some(cycle.bad),
        step: if cycle.step == original.step { None } else { u32::try_from(cycle.step).ok() },
    })
}

#[cfg(test)]
mod tests {
    use super::fewest;

    #[test]
    fn what_is_needed_is_left() {
        let items: Vec<u32> = (0..100).collect();
        let needed = [3, 50, 51, 99];
        let left = fewest(items, |kept| needed.iter().all(|item| kept.contains(item)));
        assert_eq!(left, needed);
        assert_eq!(fewest(vec![1, 2, 3], |_| true), Vec::<i32>::new());
        assert_eq!(fewest(vec![1, 2, 3], |_| false), [1, 2, 3]);
    }
}
