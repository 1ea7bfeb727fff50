//! Follows one history again, choice by choice, to put it into words or to see whether it still
//! fails.

use super::context::{Context, Prepared, interrupted};
use super::example::Example;
use super::images::fingerprint;
use crate::check::baseline::{Trace, What};
use crate::check::collateral_loss::Hit;
use crate::check::finding::{Finding, Signature, When};
use crate::check::judge::{Judge, State, Wanted};
use crate::check::reading::BiasPick;
use crate::history::path::{CutPick, Path};
use crate::history::token::{BadStart, Kept, Origin, Token};
use crate::part::{BadChange, BadSector, Image, Tear};
use crate::report::Violation;
use crate::report::scene::{MOST_SCENES, Scene, torn};
use crate::subject::{Op, Subject, counted};
use crate::workload::source::WorkloadSource;

/// How a history ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum End {
    /// Something is wrong, as before.
    Finding(Finding),
    /// Nothing is wrong.
    Nothing,
    /// The choices do not fit the code any more.
    Astray(String),
}

/// A history in words.
#[derive(Clone, Debug)]
pub(crate) struct Retold {
    pub(crate) end: End,
    pub(crate) operations: Vec<String>,
    pub(crate) cut_points: Vec<String>,
    pub(crate) scenes: Vec<Scene>,
    pub(crate) signature: Option<Signature>,
    /// Digest of the image after the last cut.
    pub(crate) digest: u16,
}

impl Retold {
    pub(crate) fn violation(
        self,
        signature: Signature,
        example: &Example,
        token: &Token,
    ) -> Violation {
        Violation {
            signature,
            count: example.count,
            sentence: example.finding.sentence.clone(),
            cuts: u32::try_from(example.path.cuts.len()).unwrap_or(u32::MAX),
            level: token.level,
            operations: self.operations,
            cut_points: self.cut_points,
            scenes: self.scenes,
            token: token.to_string(),
            shrunk: false,
        }
    }
}

/// Follows the path.
pub(crate) fn retell<S: Subject>(
    context: &Context<'_, S>,
    prepared: &Prepared,
    path: &Path,
) -> Retold {
    let retold = Retold {
        end: End::Nothing,
        operations: operations(context, &prepared.baseline.trace, path),
        cut_points: Vec::new(),
        scenes: Vec::new(),
        signature: None,
        digest: 0,
    };
    let mut retelling = Retelling {
        context,
        prepared,
        path,
        judge: context.judge(prepared),
        image: prepared.baseline.start.clone(),
        later: None,
        hit: Hit::NONE,
        retold,
    };
    for number in 0..path.cuts.len() {
        if let Err(end) = retelling.cut(number) {
            retelling.retold.end = end;
            break;
        }
    }
    retelling.retold
}

/// A history that is being followed from cut to cut.
struct Retelling<'run, S: Subject> {
    context: &'run Context<'run, S>,
    prepared: &'run Prepared,
    path: &'run Path,
    judge: Judge<'run, S>,
    image: Image,
    /// What the power-up after the last cut wrote; before the first cut the baseline counts.
    later: Option<Trace>,
    hit: Hit,
    retold: Retold,
}

impl<S: Subject> Retelling<'_, S> {
    /// Makes the cut with this number, counted from 0, and judges what it leaves.
    fn cut(&mut self, number: usize) -> Result<(), End> {
        let (context, prepared) = (self.context, self.prepared);
        let later = self.later.take();
        let trace = later.as_ref().unwrap_or(&prepared.baseline.trace);
        let cut = self.path.cuts[number];
        let at = cut.step as usize;
        let Some(done) = trace.steps.get(..at) else {
            return Err(End::Astray(format!("there is no step {at} to cut")));
        };
        // The operation or recovery that the cut falls into begins here.
        let begins = trace.segment(at).map_or(at, |segment| segment.first);
        let (earlier, done) = done.split_at(begins);
        earlier.iter().for_each(|step| self.image.apply(context.geometry, step));
        let before = self.image.clone();
        done.iter().for_each(|step| self.image.apply(context.geometry, step));
        let tears = context.tears(&self.image, trace, at, number + 1);
        let Some((tear, _)) = tears.list.get(cut.tear as usize) else {
            return Err(End::Astray(format!("step {at} has no tear {}", cut.tear)));
        };
        if number > 0 {
            self.add_continuation(trace, at, number);
        }
        let apart = self.tear(trace, at, tear, number);
        if cut.bad != BadChange::Stays {
            self.image.set_bad(cut.bad.after(self.image.bad()));
            let line = match self.image.bad() {
                None => "the bad sector works again".to_owned(),
                Some(bad) => bad.to_string(),
            };
            self.retold.cut_points.push(format!("then {line}"));
        }
        let next = self.path.cuts.get(number + 1);
        let pick = next.map_or(self.path.last, |next| next.bias);
        let seed = cut.seed(context.seed);
        if self.image.has_marginal()
            && let Some(line) = self.retold.cut_points.last_mut()
        {
            line.push_str(&format!("; then {}", pick.bias(seed)));
        }
        if number + MOST_SCENES >= self.path.cuts.len() {
            let title = self.retold.cut_points.last().cloned().unwrap_or_default();
            let step = trace.steps.get(at);
            let scene = Scene::new(title, context.geometry, done, step, &before, &self.image);
            self.retold.scenes.push(scene);
        }
        self.retold.digest = fingerprint(&self.image).to_le_bytes()[..2]
            .iter()
            .fold(0, |sum, &byte| sum << 8 | u16::from(byte));
        self.judge(trace, cut, number, (pick, seed), &apart)
    }

    /// Adds the operations since the cut before, up to the one that step `at` belongs to.
    fn add_continuation(&mut self, trace: &Trace, at: usize, number: usize) {
        let script = self.context.continuation(self.prepared, number, self.first_step());
        let count = match trace.segment(at).map(|segment| segment.what) {
            Some(What::Recovery) => 0,
            Some(What::Op(op, _)) => op + 1,
            // After the recovery alone, if its operations were not recorded.
            None if trace.segments.len() < 2 => 0,
            None => script.ops.len(),
        };
        let describe = |(op, _): &(Op, _)| op.describe(&self.context.workload.keys);
        self.retold.operations.extend(script.ops.iter().take(count).map(describe));
    }

    /// Tears step `at`, if there is one, and adds a line about it. Returns which settings are known
    /// to be stored outside the sectors that collateral damage hit.
    fn tear(&mut self, trace: &Trace, at: usize, tear: &Tear, number: usize) -> Vec<bool> {
        let g = self.context.geometry;
        let mut apart = Vec::new();
        let line = match trace.steps.get(at) {
            None => format!("cut {}: after all steps", number + 1),
            Some(step) => {
                if tear.is_collateral() {
                    apart = self.judge.find_apart(g, &self.image, step, tear, self.hit);
                    self.hit = self.hit.with(g, step.range(g).start);
                }
                self.image.apply_torn(g, step, tear);
                let first = self.first_step();
                let during = place(self.context, self.prepared, trace, at, number, first);
                format!("cut {}: {step} {during}, {}", number + 1, torn(tear))
            }
        };
        self.retold.cut_points.push(line);
        apart
    }

    /// Judges the image after a cut, and keeps what the power-up wrote for the next one.
    fn judge(
        &mut self,
        trace: &Trace,
        cut: CutPick,
        number: usize,
        (pick, seed): (BiasPick, u64),
        apart: &[bool],
    ) -> Result<(), End> {
        let (context, prepared) = (self.context, self.prepared);
        let base = &prepared.baseline.trace;
        let first = self.path.cuts.first();
        let in_flight = first.and_then(|first| context.in_flight(base, first));
        let cuts = u32::try_from(number + 1).unwrap_or(u32::MAX);
        let when = When { cuts, in_flight };
        let allowed = trace.allowed(cut.step as usize, cut.tear == 0);
        let (image, hit) = (&self.image, self.hit);
        let state = State { image, allowed, pick, seed, when, hit, apart };
        let continuation = context.continuation(prepared, number + 1, self.first_step());
        // The path does not say whether this image was the one of its group whose part was
        // rewritten. Rewriting it does no harm: images with cuts after this one were rewritten too,
        // or behave like those that were.
        let wanted = Wanted { trace: true, rewrite_all: number == 0, follow: true };
        match self.judge.judge(&state, continuation, &prepared.rewrite_all, |_, _| wanted) {
            Ok(judged) => {
                self.later = judged.map(|judged| judged.trace);
                Ok(())
            }
            Err(finding) => {
                let interrupted = interrupted(trace, &cut, number > 0);
                self.retold.signature = Some(Signature::of(&finding, in_flight, interrupted));
                let title = format!("found: {}", finding.sentence);
                let now = self.judge.session.part.chip().image().clone();
                let scene = Scene::new(title, context.geometry, &[], None, image, &now);
                self.retold.scenes.push(scene);
                Err(End::Finding(finding))
            }
        }
    }

    fn first_step(&self) -> usize {
        self.path.cuts.first().map_or(0, |first| first.step as usize)
    }
}

/// Where a step belongs, in words.
fn place<S: Subject>(
    context: &Context<'_, S>,
    prepared: &Prepared,
    trace: &Trace,
    at: usize,
    cuts: usize,
    first: usize,
) -> String {
    let keys = &context.workload.keys;
    match trace.segment(at).map(|segment| segment.what) {
        Some(What::Recovery) if cuts == 0 => "in the first start".to_owned(),
        Some(What::Recovery) => "in recovery".to_owned(),
        Some(What::Op(op, _)) if cuts == 0 => {
            let op = context.workload.ops.get(op);
            format!("in '{}'", op.map(|op| op.describe(keys)).unwrap_or_default())
        }
        Some(What::Op(op, _)) => {
            let op = context.continuation(prepared, cuts, first).ops.get(op);
            let words = op.map(|(op, _)| op.describe(keys)).unwrap_or_default();
            format!("after recovery in '{words}'")
        }
        None => String::new(),
    }
}

/// The operations up to the first cut, one line each.
fn operations<S: Subject>(context: &Context<'_, S>, base: &Trace, path: &Path) -> Vec<String> {
    let workload = context.workload;
    let mut lines = Vec::new();
    if !workload.prelude.is_empty() {
        lines.push(format!(
            "({} of the prelude)",
            counted(workload.prelude.len() as u64, "operation")
        ));
    }
    if let Some(kind) = context.bad {
        lines.push(format!("(from here: {})", BadSector::next(kind, 0)));
    }
    let cut = path.cuts.first().map_or(0, |cut| cut.step as usize);
    let count = match base.segment(cut).map(|segment| segment.what) {
        Some(What::Recovery) => 0,
        Some(What::Op(op, _)) => op + 1,
        None => workload.ops.len(),
    };
    lines.extend(workload.ops.iter().take(count).map(|op| op.describe(&workload.keys)));
    lines
}

impl<S: Subject> Context<'_, S> {
    /// The token of a history. `kept` is what is left of the workload, if not all.
    pub(crate) fn token(
        &self,
        source: WorkloadSource,
        (kept, bad): (Option<Kept>, Option<BadStart>),
        example: &Example,
        digest: u16,
    ) -> Token {
        Token {
            subject: self.subject.name().to_owned(),
            geometry: *self.geometry,
            level: self.level,
            seed: self.seed,
            breach: example.finding.breach,
            origin: Origin::Systematic {
                source,
                kept,
                thin: self.plan.thin,
                path: example.path.clone(),
                bad,
                digest,
            },
        }
    }
}
