//! The mode in which sectors go bad: every erase of the workload makes its sector bad in every way,
//! and the steps from there on are cut. After each cut the sector stays bad or works again, or
//! another one goes bad.
//!
//! What the workload does up to the erase is its prelude, so the rest is the work of the systematic
//! mode.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::clock::Clock;
use super::context::Context;
use super::example::{Example, Explored, Stop};
use super::images::Distinct;
use super::retell;
use crate::check::baseline::{Trace, What};
use crate::check::finding::{Finding, Signature};
use crate::check::reading::BiasPick;
use crate::config::{BadSectors, Config};
use crate::history::path::Path;
use crate::history::token::{BadStart, Kept};
use crate::part::{BadKind, Step};
use crate::report::{Report, Violation};
use crate::subject::Subject;
use crate::workload::Workload;

/// Carries out a plan with bad sectors.
pub(crate) fn run<S: Subject>(
    config: &Config,
    plan: &BadSectors,
    subject: &S,
    clock: &Clock<'_>,
) -> Report {
    let workload = plan.cuts.workload.build(&config.geometry);
    let whole = Context::new(config, subject, &plan.cuts, &workload);
    let (mut report, prepared) = whole.begin(config, "bad-sectors", clock);
    let Some(prepared) = prepared else { return report };
    let starts = starts(&prepared.baseline.trace, workload.prelude.len());
    let search = Search { context: &whole, plan, workload: &workload, clock };
    let stop = Stop::of(config);
    let results: Vec<(BadStart, Result<Explored, Finding>)> =
        starts.into_par_iter().map(|start| (start, search.explore(start, stop))).collect();
    let mut all = Explored::none_of(0);
    let mut findings: BTreeMap<Signature, (BadStart, Example)> = BTreeMap::new();
    for (start, result) in results {
        let explored = match result {
            Ok(explored) => explored,
            Err(finding) => without_cut(finding),
        };
        let Explored { counts, worst, findings: found, kills, fingerprints } = explored;
        all.counts.planned += counts.planned;
        all.counts.done += counts.done;
        all.counts.add(&counts);
        all.worst.merge(&worst);
        all.fingerprints.extend(fingerprints);
        for (mechanisms, images) in kills {
            all.kills.entry(mechanisms).or_insert(images);
        }
        for (signature, example) in found {
            let known = findings.entry(signature).or_insert_with(|| (start, example.clone()));
            let count =
                if known.0 == start { example.count } else { known.1.count + example.count };
            if example.path.cuts.len() < known.1.path.cuts.len() {
                *known = (start, example);
            }
            known.1.count = count;
        }
    }
    let mut distinct = Distinct::new(usize::MAX);
    distinct.extend(all.fingerprints);
    (all.counts.distinct, _) = distinct.count();
    report.kills = all.kills.into_iter().collect();
    report.worst.merge(&all.worst);
    clock.conclude(&mut report, all.counts, !findings.is_empty(), "cut points");
    let mut ordered: Vec<_> = findings.into_iter().collect();
    ordered.sort_by_key(|(_, (_, example))| example.path.cuts.len());
    report.violations = ordered
        .into_iter()
        .map(|(signature, (start, example))| search.violation(start, signature, &example))
        .collect();
    report
}

/// Where sectors go bad: once after the first cut only, then in each operation that erases, in
/// every way.
pub(crate) fn starts(trace: &Trace, prelude: usize) -> Vec<BadStart> {
    let prelude = u32::try_from(prelude).unwrap_or(u32::MAX);
    let mut starts = vec![BadStart { from: prelude, kind: None }];
    let ends = trace.segments.iter().skip(1).map(|segment| segment.first);
    for (segment, end) in trace.segments.iter().zip(ends.chain([trace.steps.len()])) {
        let steps = trace.steps.get(segment.first..end).unwrap_or_default();
        if !steps.iter().any(|step| matches!(step, Step::Erase { .. })) {
            continue;
        }
        let from = match segment.what {
            What::Op(op, _) => prelude + u32::try_from(op).unwrap_or(u32::MAX),
            What::Recovery => 0,
        };
        starts.extend(BadKind::ALL.map(|kind| BadStart { from, kind: Some(kind) }));
    }
    starts
}

/// What a cut interrupts in a history without one.
pub(crate) const NO_STEP: &str = "no step";

/// A finding that needs no cut.
fn without_cut(finding: Finding) -> Explored {
    let mut explored = Explored::none_of(0);
    let signature = Signature::of(&finding, None, NO_STEP.to_owned());
    let path = Path { cuts: Vec::new(), last: BiasPick::Stored };
    explored.counts.violating = 1;
    explored.findings.insert(signature, Example { count: 1, path, finding });
    explored
}

pub(crate) struct Search<'run, 'context, S: Subject> {
    pub(crate) context: &'run Context<'context, S>,
    pub(crate) plan: &'run BadSectors,
    pub(crate) workload: &'run Workload,
    pub(crate) clock: &'run Clock<'run>,
}

impl<S: Subject> Search<'_, '_, S> {
    fn workload(&self, start: BadStart) -> Workload {
        let mut workload = self.workload.clone().explored_from(start.from as usize);
        if start.kind.is_some() {
            workload.ops.truncate(self.plan.operations as usize);
        }
        workload
    }

    /// Calls `work` with the context in which a sector goes bad.
    fn with<T>(&self, start: BadStart, work: impl FnOnce(&Context<'_, S>) -> T) -> T {
        let workload = self.workload(start);
        let Context { subject, geometry, level, seed, plan, .. } = *self.context;
        let context =
            Context { subject, geometry, level, seed, plan, workload: &workload, bad: start.kind };
        work(&context)
    }

    /// Cuts the steps after a sector went bad.
    fn explore(&self, start: BadStart, stop: Stop<'_>) -> Result<Explored, Finding> {
        self.with(start, |context| {
            let prepared = context.prepare()?;
            let cut_points = 0..=prepared.baseline.trace.steps.len();
            Ok(context.explore(&prepared, cut_points.collect(), stop, self.clock, None))
        })
    }

    fn violation(&self, start: BadStart, signature: Signature, example: &Example) -> Violation {
        self.with(start, |context| {
            let token = |digest| {
                let kept = self.kept(context.workload);
                context.token(self.plan.cuts.workload, (Some(kept), Some(start)), example, digest)
            };
            let prepared = context.prepare();
            match prepared {
                Ok(prepared) => {
                    let retold = retell::retell(context, &prepared, &example.path);
                    let token = token(retold.digest);
                    retold.violation(signature, example, &token)
                }
                Err(_) => {
                    let ops = context.workload.all_ops();
                    Violation {
                        signature,
                        count: example.count,
                        sentence: example.finding.sentence.clone(),
                        cuts: 0,
                        level: context.level,
                        operations: ops.map(|op| op.describe(&context.workload.keys)).collect(),
                        cut_points: Vec::new(),
                        scenes: Vec::new(),
                        token: token(0).to_string(),
                        shrunk: false,
                    }
                }
            }
        })
    }

    /// The operations up to the last one that is explored.
    fn kept(&self, workload: &Workload) -> Kept {
        let count = u32::try_from(workload.all_ops().count()).unwrap_or(u32::MAX);
        Kept { ops: (0..count).collect(), most_value: u32::MAX, made_for: None, longer: None }
    }
}
