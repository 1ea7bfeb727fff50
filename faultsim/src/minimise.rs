//! Making a failing history smaller, so that a person can see what goes wrong.
//!
//! A shortened workload writes other bytes at other addresses, so the old cut means nothing in
//! it: its cuts are searched anew. What must stay is the kind of failure.

use std::time::{Duration, Instant};

use crate::deep::{Era, Eras, KeptEra, Lived, Tearing, fails};
use crate::device::Level;
use crate::explore::{Found, Stop};
use crate::finding::Signature;
use crate::path::BiasPick;
use crate::plan::{Clock, Progress, Systematic};
use crate::report::Violation;
use crate::setting::Setting;
use crate::subject::Subject;
use crate::token::{Origin, Outcome, Token, cut_down, replay};
use crate::trace::What;
use crate::workload::{Workload, WorkloadSource};

/// Replaces the example of `violation` by the smallest one found within `limit`: fewest
/// operations, then the lowest fault level, fewest cuts and simplest tear. Leaves it as it is if
/// nothing smaller is found or the token is not one of this subject.
pub fn shrink<S: Subject>(violation: &mut Violation, subject: &S, limit: Duration) {
    let Ok(token) = violation.token.parse::<Token>() else { return };
    if token.subject != subject.name() {
        return;
    }
    let deadline = Instant::now().checked_add(limit);
    let is_late = || deadline.is_some_and(|deadline| Instant::now() >= deadline);
    let smaller = match &token.origin {
        Origin::Systematic { source, kept, thin, path, .. } => {
            let search = Search {
                subject,
                token: &token,
                source: *source,
                thin: *thin,
                workload: source.build(&token.geometry),
                signature: &violation.signature,
                is_late: &is_late,
            };
            let first = path.cuts.first().map_or(0, |cut| cut.step as usize);
            search.shrink(kept.clone(), first, path.cuts.len())
        }
        Origin::Deep(lived) => {
            let lives = Lives {
                subject,
                token: &token,
                lived,
                signature: &violation.signature,
                is_late: &is_late,
            };
            lives.shrink()
        }
    };
    if let Some((token, cuts)) = smaller {
        let told = replay(&token, subject);
        if told.outcome == Outcome::Reproduced {
            violation.becomes(&token, told, cuts);
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

/// A search for failing cuts of shortened workloads.
struct Search<'search, S: Subject> {
    subject: &'search S,
    token: &'search Token,
    source: WorkloadSource,
    thin: u32,
    workload: Workload,
    signature: &'search Signature,
    is_late: &'search dyn Fn() -> bool,
}

impl<S: Subject> Search<'_, S> {
    fn shrink(
        &self,
        kept: Option<Vec<u32>>,
        first_cut: usize,
        cuts: usize,
    ) -> Option<(Token, u32)> {
        let depth = u32::try_from(cuts).ok()?;
        let level = self.token.level;
        let all = u32::try_from(self.workload.all_ops().count()).ok()?;
        let mut ops = kept.unwrap_or_else(|| (0..all).collect());
        let end = self.end(&ops, first_cut);
        ops.truncate(end);
        let ops = fewest(ops, |ops| !(self.is_late)() && self.find(ops, level, depth).is_some());
        // Simplest circumstances first; the last of them is the one known to fail.
        let (mildest, (found, digest)) = Level::ALL
            .into_iter()
            .filter(|&tried| tried <= level)
            .flat_map(|tried| (1..=depth).map(move |cuts| (tried, cuts)))
            .find_map(|(tried, cuts)| Some((tried, self.find(&ops, tried, cuts)?)))?;
        let cuts = u32::try_from(found.path.cuts.len()).ok()?;
        let token = Token {
            level: mildest,
            origin: Origin::Systematic {
                source: self.source,
                kept: Some(ops),
                thin: self.thin,
                path: found.path,
                digest,
            },
            ..self.token.clone()
        };
        Some((token, cuts))
    }

    /// How many operations happen up to the first cut.
    fn end(&self, ops: &[u32], first_cut: usize) -> usize {
        let known = match &self.token.origin {
            Origin::Systematic { kept, .. } => kept.clone(),
            Origin::Deep(_) => None,
        };
        let workload = cut_down(self.workload.clone(), known.as_deref());
        self.with(&workload, self.token.level, 1, |setting| {
            let prepared = setting.prepare().ok()?;
            match prepared.baseline.trace.segment(first_cut)?.what {
                What::Recovery => Some(0),
                What::Op(op, _) => Some(workload.prelude.len() + op + 1),
            }
        })
        .unwrap_or(ops.len())
    }

    /// The first failing cut in the last operation, or behind it, of these operations.
    fn find(&self, ops: &[u32], level: Level, depth: u32) -> Option<(Found, u16)> {
        let workload = cut_down(self.workload.clone(), Some(ops));
        self.with(&workload, level, depth, |setting| {
            let prepared = setting.prepare().ok()?;
            let trace = &prepared.baseline.trace;
            // What fails in an earlier operation fails without the later ones too.
            let from = trace.segments.last().map_or(0, |segment| segment.first);
            let cut_points = (from..=trace.steps.len()).collect();
            let progress = Progress::default();
            let clock = Clock::new(None, &progress);
            let stop = Stop::AtFirstLike(self.signature);
            let (_, _, findings, _) = setting.explore(&prepared, cut_points, stop, &clock);
            let found = findings.into_values().min_by_key(|found| found.path.cuts.len())?;
            let told = crate::follow::tell(setting, &prepared, &found.path);
            Some((found, told.digest))
        })
    }

    fn with<T>(
        &self,
        workload: &Workload,
        level: Level,
        depth: u32,
        work: impl FnOnce(&Setting<'_, S>) -> Option<T>,
    ) -> Option<T> {
        let plan =
            Systematic { workload: self.source, depth, thin: self.thin, ..Systematic::default() };
        work(&Setting {
            subject: self.subject,
            geometry: &self.token.geometry,
            level,
            seed: self.token.seed,
            plan: &plan,
            workload,
        })
    }
}

/// The same for random lives: fewer power-ups, fewer operations, plainer cuts.
struct Lives<'search, S: Subject> {
    subject: &'search S,
    token: &'search Token,
    lived: &'search Lived,
    signature: &'search Signature,
    is_late: &'search dyn Fn() -> bool,
}

impl<S: Subject> Lives<'_, S> {
    fn shrink(&self) -> Option<(Token, u32)> {
        let Lived { run, power_ups, in_a_row, kept } = self.lived;
        let token = self.token;
        let source = || Eras::new(token.seed, *run, &token.geometry);
        let keys = source().keys();
        let drawn = source().list(*power_ups, None);
        let eras = source().list(*power_ups, kept.as_deref());
        let fails_at = |eras: &[Era], level: Level| {
            fails(self.subject, &token.geometry, level, &keys, *in_a_row, eras).as_ref()
                == Some(self.signature)
        };
        let still = |eras: &[Era]| !(self.is_late)() && fails_at(eras, token.level);
        if !still(&eras) {
            return None;
        }
        let mut eras = fewest(eras, still);
        for at in 0..eras.len() {
            let mut tried = eras.clone();
            let ops = std::mem::take(&mut eras[at].ops);
            eras[at].ops = fewest(ops, |ops| {
                tried[at].ops = ops.to_vec();
                still(&tried)
            });
        }
        for at in 0..eras.len() {
            plainer(&mut eras, at, &still);
        }
        let eras = fewest(eras, still);
        let mildest = Level::ALL
            .into_iter()
            .find(|&level| level < token.level && fails_at(&eras, level))
            .unwrap_or(token.level);
        let kept = eras.iter().map(|era| keep(era, &drawn)).collect::<Option<Vec<_>>>()?;
        let cuts = u32::try_from(eras.len()).ok()?.saturating_sub(1);
        let origin = Origin::Deep(Lived { kept: Some(kept), ..self.lived.clone() });
        Some((Token { level: mildest, origin, ..token.clone() }, cuts))
    }
}

/// Later than any step of a power-up.
const BEHIND: u64 = 1 << 13;

/// Tries simpler values for what one power-up drew.
fn plainer(eras: &mut Vec<Era>, at: usize, still: &dyn Fn(&[Era]) -> bool) {
    let mut attempt = |change: &dyn Fn(&mut Era)| {
        let mut tried = eras.clone();
        change(&mut tried[at]);
        let better = still(&tried);
        if better {
            *eras = tried;
        }
        better
    };
    // First of all: no cut in a step, but one behind the operations.
    if !attempt(&|era| era.step = BEHIND) {
        let _ = attempt(&|era| era.tearing = Tearing::Nothing)
            || attempt(&|era| era.tearing = Tearing::Everything);
    }
    let _ = attempt(&|era| era.bias = BiasPick::Stored)
        || attempt(&|era| era.bias = BiasPick::Zeros)
        || attempt(&|era| era.bias = BiasPick::Ones);
}

/// How a power-up differs from the one drawn.
fn keep(era: &Era, drawn: &[Era]) -> Option<KeptEra> {
    let original = drawn.get(era.number as usize)?;
    let mut ops = 0_u32;
    let mut left = era.ops.iter().peekable();
    for (bit, op) in original.ops.iter().enumerate() {
        if left.next_if(|kept| *kept == op).is_some() {
            ops |= 1 << bit;
        }
    }
    left.peek().is_none().then_some(KeptEra {
        era: era.number,
        ops,
        tearing: era.tearing,
        bias: (era.bias != original.bias).then_some(era.bias),
        step: if era.step == original.step { None } else { u32::try_from(era.step).ok() },
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
