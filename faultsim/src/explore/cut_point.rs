//! One cut point of a systematic run, worked through on its own: all its tears, the recoveries
//! after them, and the cuts in those.

use std::collections::VecDeque;
use std::sync::atomic::Ordering;

use rapidhash::RapidHashSet;

use super::cache::{Cache, Look, Oracles, Owed, Recall};
use super::clock::Clock;
use super::context::{Context, Prepared, interrupted};
use super::example::{Example, PointResult, Stop};
use super::images::{ImageId, Interner};
use super::sampling::{Decision, Groups, Sample};
use crate::ablation::{Mechanism, Mechanisms};
use crate::check::baseline::Trace;
use crate::check::collateral_loss::Hit;
use crate::check::coverage::Place;
use crate::check::finding::{Finding, Signature, When};
use crate::check::judge::{Judge, Judged, State, Wanted};
use crate::check::oracle::Oracle;
use crate::check::reading::BiasPick;
use crate::history::path::{CutPick, Path};
use crate::part::{BadChange, Image, Step, Tear, Tears};
use crate::subject::Subject;

/// A judged image in whose recovery and later operations further cuts are made.
struct Representative {
    image: Image,
    pick: BiasPick,
    cuts: Vec<CutPick>,
    mechanisms: Mechanisms,
    hit: Hit,
    judged: Judged,
}

/// How an image came about: the cuts before the last one, how marginal cells read after them or
/// after the last one, and the mechanisms of the rig that all of it took.
#[derive(Clone, Copy)]
struct Before<'cuts> {
    cuts: &'cuts [CutPick],
    pick: BiasPick,
    mechanisms: Mechanisms,
    /// Where there is collateral damage.
    hit: Hit,
    /// Which settings are known to be stored in other sectors.
    apart: &'cuts [bool],
}

impl Default for Before<'_> {
    fn default() -> Self {
        Self {
            cuts: &[],
            pick: BiasPick::Stored,
            mechanisms: Mechanism::Between.into(),
            hit: Hit::NONE,
            apart: &[],
        }
    }
}

/// One cut point of the workload and everything that follows from it.
pub(crate) struct CutPoint<'job, 'run, S: Subject> {
    context: &'job Context<'run, S>,
    prepared: &'job Prepared,
    clock: &'job Clock<'job>,
    stop: Stop<'job>,
    judge: Judge<'job, S>,
    interner: Interner,
    oracles: Oracles,
    recall: Recall<'job>,
    /// Image, obligations and reading of marginal cells that were judged.
    seen: RapidHashSet<(ImageId, u32, BiasPick)>,
    groups: Groups,
    queue: VecDeque<Representative>,
    result: PointResult,
}

impl<'job, 'run: 'job, S: Subject> CutPoint<'job, 'run, S> {
    pub(crate) fn new(
        context: &'job Context<'run, S>,
        prepared: &'job Prepared,
        base: &Image,
        stop: Stop<'job>,
        clock: &'job Clock<'job>,
        cache: &'job mut Cache,
    ) -> Self {
        Self {
            context,
            prepared,
            clock,
            stop,
            judge: context.judge(prepared),
            interner: Interner::new(base),
            oracles: Oracles::default(),
            recall: Recall::new(cache),
            seen: RapidHashSet::default(),
            groups: Groups::default(),
            queue: VecDeque::new(),
            result: PointResult::default(),
        }
    }

    /// Cuts the workload at step `at`, before which the part is `image`.
    pub(crate) fn run(mut self, at: usize, mut image: Image) -> PointResult {
        self.result.counts.judged_by_cuts = vec![0; self.context.depth() as usize];
        let prepared = self.prepared;
        let trace = &prepared.baseline.trace;
        let mut going = self.cut(trace, at, false, &mut image, &Before::default());
        while let Some(representative) = self.queue.pop_front() {
            going = going && self.expand(representative);
            if !going {
                break;
            }
        }
        self.result.counts.power_ups = self.judge.power_ups;
        self.result.counts.collateral_loss = self.judge.collateral_loss;
        self.result.counts.repeated_zeros = self.judge.session.part.chip().repeated_zeros();
        self.result.counts.failed_calls = self.judge.session.failed_calls;
        self.result.counts.stayed_down = self.judge.session.stayed_down;
        self.result.worst = self.judge.session.worst();
        self.result.finished = going;
        self.result
    }

    /// Whether to go on.
    fn expand(&mut self, from: Representative) -> bool {
        let Representative { mut image, pick, cuts, mechanisms, hit, judged } = from;
        let without = self.context.plan.without;
        // Operations after the second cut and later ones are left to the random lives.
        let later = cuts.len() == 1 && !without.has(Mechanism::Later);
        let last = if later { judged.trace.steps.len() } else { judged.recovery_steps };
        (0..=last).all(|at| {
            // After the recovery, only a cut between operations.
            let between = at == last;
            let nested = at < judged.recovery_steps;
            let mechanism = if nested { Mechanism::Nested } else { Mechanism::Later };
            if without.has(mechanism) {
                if let Some(step) = judged.trace.steps.get(at) {
                    image.apply(self.context.geometry, step);
                }
                return true;
            }
            let before = Before {
                cuts: &cuts,
                pick,
                mechanisms: mechanisms.with(mechanism),
                hit,
                apart: &[],
            };
            self.cut(&judged.trace, at, between, &mut image, &before)
        })
    }

    /// Tears one step in all ways and visits what that leaves; then completes the step, so that
    /// `image` is ready for the next one. Returns whether to go on.
    fn cut(
        &mut self,
        trace: &Trace,
        at: usize,
        between: bool,
        image: &mut Image,
        before: &Before<'_>,
    ) -> bool {
        let Before { cuts, pick, mechanisms, hit, .. } = *before;
        let mut apart: Vec<(Option<Tear>, Vec<bool>)> = Vec::new();
        let tears = if between {
            Tears::none()
        } else {
            self.context.tears(image, trace, at, cuts.len() + 1)
        };
        let place = trace.place(at, !cuts.is_empty());
        let place = if between { Place::Between } else { place };
        let step = trace.steps.get(at).filter(|_| !between);
        let reach = step.map_or(0..0, |step| step.reach(self.context.geometry, self.context.level));
        self.interner.around(image, reach.clone(), tears.list.len());
        // From here on copies are made between images that differ only by this step and its
        // recovery.
        image.become_origin();
        let mut torn = image.clone();
        for (number, (tear, class)) in (0..).zip(&tears.list) {
            if self.context.plan.without.has((*class).into())
                || !self.context.takes(trace, at, number, cuts.len() + 1)
            {
                continue;
            }
            torn.copy_from(image);
            if let Some(step) = step {
                tears.apply(number as usize, self.context.geometry, &mut torn, step);
            }
            debug_assert!(torn.differs_within(image, &reach), "{step:?} {tear:?}");
            self.result.counts.coverage.note(place, step, tear);
            let step = u32::try_from(at).unwrap_or(u32::MAX);
            let cut = CutPick { bias: pick, step, tear: number, bad: BadChange::Stays };
            let mut before = Before {
                cuts,
                pick,
                mechanisms: mechanisms.with((*class).into()),
                hit,
                apart: &[],
            };
            if let Some(step) = trace.steps.get(at).filter(|_| tear.is_collateral()) {
                let g = self.context.geometry;
                let sound = tear.without_collateral();
                if !apart.iter().any(|(known, _)| *known == sound) {
                    apart.push((sound.clone(), self.judge.find_apart(g, image, step, tear, hit)));
                }
                before.hit = hit.with(g, step.range(g).start);
                before.apart = apart
                    .iter()
                    .find_map(|(known, apart)| (*known == sound).then_some(apart.as_slice()))
                    .unwrap_or_default();
            }
            let changes = self.context.bad_changes(&torn, cuts.len() + 1, cut);
            let bad = torn.bad();
            for &change in changes.as_slice() {
                torn.set_bad(change.after(bad));
                if !self.visit(&torn, trace, CutPick { bad: change, ..cut }, &before) {
                    return false;
                }
            }
        }
        if let Some(step) = trace.steps.get(at) {
            image.apply(self.context.geometry, step);
        }
        true
    }

    /// Judges one image left by a cut, once per reading of its marginal cells. Returns whether
    /// to go on.
    fn visit(&mut self, image: &Image, trace: &Trace, cut: CutPick, before: &Before<'_>) -> bool {
        let Before { cuts, mechanisms, hit, apart, .. } = *before;
        let progress = self.clock.progress;
        self.result.counts.cuts += 1;
        progress.cuts.fetch_add(1, Ordering::Relaxed);
        let (id, new) = self.interner.enter(image);
        if let Some(fingerprint) = new {
            self.result.fingerprints.push(fingerprint);
            progress.distinct.fetch_add(1, Ordering::Relaxed);
        }
        let allowed = trace.allowed(cut.step as usize, cut.tear == 0);
        // After collateral damage an image owes less, so it must not represent one that owes
        // everything.
        let number = 2 * self.oracles.number(allowed) + u32::from(!hit.is_none());
        let owed = Owed { allowed, number };
        for &pick in self.context.picks(image, cuts.len() + 1, cut) {
            if pick.mechanism().is_some_and(|mechanism| self.context.plan.without.has(mechanism)) {
                continue;
            }
            let fresh = self.seen.insert((id, number, pick));
            if !fresh && self.context.plan.merge_equal {
                continue;
            }
            self.result.counts.judged += 1;
            progress.judged.fetch_add(1, Ordering::Relaxed);
            // Checked before each image: with a program that hangs, one takes seconds.
            if self.clock.is_up() {
                return false;
            }
            if let Some(count) = self.result.counts.judged_by_cuts.get_mut(cuts.len()) {
                *count += 1;
            }
            let mechanisms =
                pick.mechanism().map_or(mechanisms, |mechanism| mechanisms.with(mechanism));
            let before = Before { cuts, pick, mechanisms, hit, apart };
            if !self.judge_one((id, image), &owed, trace, cut, &before) {
                return false;
            }
        }
        true
    }

    /// Judges one image in one reading, unless it is known to show what it owes here and nothing
    /// more is wanted of it. Returns whether to go on.
    fn judge_one(
        &mut self,
        (id, image): (ImageId, &Image),
        owed: &Owed<'_>,
        trace: &Trace,
        cut: CutPick,
        before: &Before<'_>,
    ) -> bool {
        let Before { cuts, pick, mechanisms, hit, apart } = *before;
        let (context, prepared) = (self.context, self.prepared);
        let base = &prepared.baseline.trace;
        let number_of_cuts = cuts.len() + 1;
        let first = cuts.first().unwrap_or(&cut);
        let seed = cut.seed(context.seed);
        let sample = Sample {
            plan: context.plan,
            owed: owed.number,
            pick,
            bad: image.bad(),
            cuts: number_of_cuts,
            may_be_cut: number_of_cuts < context.depth() as usize,
            first_step: first.step,
            is_followed: self.result.counts.judged.is_multiple_of(context.followed_one_in()),
            roll: if context.plan.thrifty { seed } else { 0 },
        };
        let look = self.look((id, image), pick, seed, hit);
        let Self { groups, recall, oracles, judge, .. } = self;
        let known = look
            .as_ref()
            .and_then(|look| recall.shown(look, owed, &prepared.values, oracles))
            .map(|(recovery, recovered)| groups.decide(&sample, recovery, recovered));
        if let Some(Decision { wanted: Wanted::NOTHING, represented }) = known {
            self.result.counts.represented += u64::from(represented);
            return true;
        }
        let mut shown = None;
        let mut represented = false;
        let wants = |steps: &[Step], recovered: &Oracle| {
            let decision = known.unwrap_or_else(|| {
                let (recovery, recovered, all) =
                    recall.enter(steps, recovered, &prepared.values, oracles);
                shown = all;
                groups.decide(&sample, recovery, recovered)
            });
            represented = decision.represented;
            decision.wanted
        };
        let in_flight = context.in_flight(base, first);
        let when = When { cuts: u32::try_from(number_of_cuts).unwrap_or(u32::MAX), in_flight };
        let state = State { image, allowed: owed.allowed, pick, seed, when, hit, apart };
        let continuation = context.continuation(prepared, number_of_cuts, first.step as usize);
        let judged = judge.judge(&state, continuation, &prepared.rewrite_all, wants);
        match judged {
            Ok(judged) => {
                if let (Some(look), Some(shown)) = (look, shown) {
                    self.recall.keep(look, shown);
                }
                if let Some(judged) = judged {
                    let (image, cuts) = (image.clone(), with_last(cuts, cut));
                    let next = Representative { image, pick, cuts, mechanisms, hit, judged };
                    self.queue.push_back(next);
                } else {
                    self.result.counts.represented += u64::from(represented);
                }
                true
            }
            Err(finding) if self.clock.excuses(&finding) => false,
            Err(finding) => {
                let interrupted = interrupted(trace, &cut, !cuts.is_empty());
                let signature = Signature::of(&finding, in_flight, interrupted);
                self.note(finding, signature, cut, before)
            }
        }
    }

    /// The key under which the cache may know an image in this reading; `None` if it is not to be
    /// looked up.
    fn look(
        &self,
        (id, image): (ImageId, &Image),
        pick: BiasPick,
        seed: u64,
        hit: Hit,
    ) -> Option<Look> {
        if !hit.is_none() || !self.context.plan.merge_equal {
            return None;
        }
        // There is one fingerprint for each image number.
        let fingerprint = *self.result.fingerprints.get(id as usize)?;
        let seed = if image.has_marginal() { seed } else { 0 };
        Some(Look { image: fingerprint, pick, seed })
    }

    /// Keeps a finding about an image. Returns whether to go on.
    fn note(
        &mut self,
        finding: Finding,
        signature: Signature,
        cut: CutPick,
        before: &Before<'_>,
    ) -> bool {
        let goes_on = self.clock.goes_on(&finding, &signature);
        if !self.stop.keeps(&signature) {
            return goes_on;
        }
        self.result.counts.violating += 1;
        let mechanisms = before.mechanisms.and(self.judge.at_work);
        let judged = self.result.counts.judged;
        self.result.kills.entry(mechanisms).or_insert(judged);
        self.clock.progress.violating.fetch_add(1, Ordering::Relaxed);
        let path = Path { cuts: with_last(before.cuts, cut), last: before.pick };
        let example = Example { count: 0, path, finding };
        self.result.findings.entry(signature).or_insert(example).count += 1;
        goes_on && self.stop == Stop::Never
    }
}

fn with_last(cuts: &[CutPick], last: CutPick) -> Vec<CutPick> {
    cuts.iter().copied().chain([last]).collect()
}
