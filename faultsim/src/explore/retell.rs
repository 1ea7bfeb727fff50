//! One history again, choice by choice, to tell it or to see whether it still fails.

use super::context::{Context, Prepared, interrupted};
use super::example::Example;
use super::images::fingerprint;
use crate::check::baseline::{Trace, What};
use crate::check::collateral_loss::Hit;
use crate::check::finding::{Finding, Signature, When};
use crate::check::judge::{State, Wanted};
use crate::history::path::Path;
use crate::history::token::{Kept, Origin, Token};
use crate::report::Violation;
use crate::report::scene::{MOST_SCENES, Scene, torn};
use crate::subject::{Op, Subject};
use crate::workload::source::WorkloadSource;

/// How a history ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum End {
    /// Something is wrong, as it was.
    Finding(Finding),
    /// Nothing is wrong.
    Nothing,
    /// The choices do not fit the code any more.
    Astray(String),
}

/// A history in words.
#[derive(Clone, Debug)]
pub(crate) struct Told {
    pub(crate) end: End,
    pub(crate) operations: Vec<String>,
    pub(crate) cut_points: Vec<String>,
    pub(crate) scenes: Vec<Scene>,
    pub(crate) signature: Option<Signature>,
    /// Of the image after the last cut.
    pub(crate) digest: u16,
}

impl Told {
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
pub(crate) fn tell<S: Subject>(context: &Context<'_, S>, prepared: &Prepared, path: &Path) -> Told {
    let base = &prepared.baseline.trace;
    let mut told = Told {
        end: End::Nothing,
        operations: operations(context, base, path),
        cut_points: Vec::new(),
        scenes: Vec::new(),
        signature: None,
        digest: 0,
    };
    let mut judge = context.judge(prepared);
    let mut image = prepared.baseline.start.clone();
    let mut later: Option<Trace> = None;
    let mut hit = Hit::NONE;
    let first = path.cuts.first().copied();
    for (number, cut) in path.cuts.iter().enumerate() {
        let trace = later.as_ref().unwrap_or(base);
        let at = cut.step as usize;
        let Some(done) = trace.steps.get(..at) else {
            told.end = End::Astray(format!("there is no step {at} to cut"));
            return told;
        };
        // The operation or recovery that the cut falls into begins here.
        let begins = trace.segment(at).map_or(at, |segment| segment.first);
        let (earlier, done) = done.split_at(begins);
        earlier.iter().for_each(|step| image.apply(context.geometry, step));
        let before = image.clone();
        done.iter().for_each(|step| image.apply(context.geometry, step));
        let tears = context.tears(&image, trace, at, number + 1);
        let Some((tear, _)) = tears.list.get(cut.tear as usize) else {
            told.end = End::Astray(format!("step {at} has no tear {}", cut.tear));
            return told;
        };
        if let Some(cut_before) = first.filter(|_| number > 0) {
            let script = context.continuation(prepared, number, cut_before.step as usize);
            let count = match trace.segment(at).map(|segment| segment.what) {
                Some(What::Recovery) => 0,
                Some(What::Op(op, _)) => op + 1,
                // Behind the recovery alone, if its operations were not recorded.
                None if later.as_ref().is_some_and(|later| later.segments.len() < 2) => 0,
                None => script.ops.len(),
            };
            let describe = |(op, _): &(Op, _)| op.describe(&context.workload.keys);
            told.operations.extend(script.ops.iter().take(count).map(describe));
        }
        let what = interrupted(trace, cut, number > 0);
        let mut apart = Vec::new();
        told.cut_points.push(match trace.steps.get(at) {
            None => format!("cut {}: behind all steps", number + 1),
            Some(step) => {
                if tear.is_collateral() {
                    let g = context.geometry;
                    apart = judge.find_apart(g, &image, step, tear, hit);
                    hit = hit.with(g, step.range(g).start);
                }
                image.apply_torn(context.geometry, step, tear);
                let during = place(context, prepared, trace, at, number, first.map(|c| c.step));
                format!("cut {}: {step} {during}, {}", number + 1, torn(tear))
            }
        });
        let allowed = trace.allowed(at, cut.tear == 0).clone();
        let next = path.cuts.get(number + 1);
        let pick = next.map_or(path.last, |next| next.bias);
        let seed = cut.seed(context.seed);
        if image.has_marginal()
            && let Some(line) = told.cut_points.last_mut()
        {
            line.push_str(&format!("; then {}", pick.bias(seed)));
        }
        if number + MOST_SCENES >= path.cuts.len() {
            let title = told.cut_points.last().cloned().unwrap_or_default();
            let step = trace.steps.get(at);
            told.scenes.push(Scene::new(title, context.geometry, done, step, &before, &image));
        }
        told.digest = fingerprint(&image).to_le_bytes()[..2]
            .iter()
            .fold(0, |sum, &byte| sum << 8 | u16::from(byte));
        let in_flight = first.and_then(|first| context.in_flight(base, &first));
        let cuts = u32::try_from(number + 1).unwrap_or(u32::MAX);
        let when = When { cuts, in_flight };
        let (image, allowed, apart) = (&image, &allowed, apart.as_slice());
        let state = State { image, allowed, pick, seed, when, hit, apart };
        let first_step = first.map_or(0, |first| first.step as usize);
        let continuation = context.continuation(prepared, number + 1, first_step);
        // The path does not tell whether this image was the one of its group that was turned
        // over. It does no harm to do so: those with cuts behind it were, or behave alike.
        let wanted = Wanted { trace: true, rewrite_all: number == 0, follow: true };
        match judge.judge(&state, continuation, &prepared.rewrite_all, |_, _| wanted) {
            Ok(judged) => later = judged.map(|judged| judged.trace),
            Err(finding) => {
                told.signature = Some(Signature {
                    breach: finding.breach,
                    operation: in_flight.map(|kind| kind.to_string()).unwrap_or_default(),
                    interrupted: what,
                });
                let title = format!("found: {}", finding.sentence);
                let now = judge.session.part.chip().image().clone();
                told.scenes.push(Scene::new(title, context.geometry, &[], None, image, &now));
                told.end = End::Finding(finding);
                return told;
            }
        }
    }
    told
}

/// Where a step belongs, in words.
fn place<S: Subject>(
    context: &Context<'_, S>,
    prepared: &Prepared,
    trace: &Trace,
    at: usize,
    cuts: usize,
    first: Option<u32>,
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
            let first = first.map_or(0, |step| step as usize);
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
        lines.push(format!("({} operations of the prelude)", workload.prelude.len()));
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
        kept: Option<Kept>,
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
                digest,
            },
        }
    }
}
