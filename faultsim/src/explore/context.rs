//! What all cut points of a systematic run share.

use super::clock::Clock;
use super::collisions::collisions;
use crate::ablation::Mechanisms;
use crate::check::baseline::{Baseline, BaselinePart, Script, Trace, What, baseline};
use crate::check::finding::Finding;
use crate::check::judge::Judge;
use crate::check::oracle::Values;
use crate::check::reading::BiasPick;
use crate::check::session::Session;
use crate::config::{Config, Systematic};
use crate::history::path::CutPick;
use crate::part::{BadChange, BadKind, BadSector, FaultClass, Geometry, Image, Level, Step, Tears};
use crate::report::{Report, Verdict, beyond, left_out};
use crate::subject::{Change, Op, OpKind, Subject, counted};
use crate::workload::{Workload, mixed};

/// Factors by which the tears of a step are thinned out beyond the plan's `thin`: at the first cut,
/// at the second one, and from the third one on.
const THIN_BY_CUTS: [u32; 3] = [1, 24, 96];
/// In the operations after the first recovery, tears are thinned out by this factor as well.
const THIN_IN_OPERATIONS: u32 = 4;
/// From the second cut on, further cuts are made in only one of this many of the groups of equal
/// recoveries in which they would be made after the first cut.
pub(crate) const GROUPS_PER_SAMPLE: usize = 4;
/// One in this many of the images whose recovery did and reported the same as that of an earlier
/// image is nevertheless written to.
const FOLLOWED_ONE_IN: u64 = 8;
/// The same in a thrifty plan.
pub(crate) const FOLLOWED_ONE_IN_THRIFTY: u64 = 64;
/// With bad sectors at most one in this many tears of a first cut is tried.
const MOST_THINNED: u32 = 16;
/// After a cut a sector goes bad in one of this many erases.
const MOST_WAITING: u8 = 3;
/// Histories with more cuts are left to the random lives.
const MOST_CUTS: u32 = 32;

/// What a systematic run works on.
#[derive(Debug)]
pub(crate) struct Context<'run, S: Subject> {
    pub(crate) subject: &'run S,
    pub(crate) geometry: &'run Geometry,
    pub(crate) level: Level,
    pub(crate) seed: u64,
    pub(crate) plan: &'run Systematic,
    pub(crate) workload: &'run Workload,
    /// If the level has bad sectors: what the sector does that is erased first in the explored
    /// operations.
    pub(crate) bad: Option<BadKind>,
}

/// What the uncut run has shown, and everything else that all cut points share.
#[derive(Debug)]
pub(crate) struct Prepared {
    pub(crate) values: Values,
    /// What follows a cut, by number of cuts so far and setting.
    continuations: Vec<Vec<Script>>,
    /// Writes that go round all settings, to rewrite every sector.
    pub(crate) rewrite_all: Script,
    /// For a workload without settings.
    nothing: Script,
    pub(crate) baseline: Baseline,
}

impl<'run, S: Subject> Context<'run, S> {
    /// The context of a configuration with one of its workloads.
    pub(crate) const fn new(
        config: &'run Config,
        subject: &'run S,
        plan: &'run Systematic,
        workload: &'run Workload,
    ) -> Self {
        let Config { geometry, level, seed, .. } = config;
        Self { subject, geometry, level: *level, seed: *seed, plan, workload, bad: None }
    }

    pub(crate) fn not_explored(&self) -> Vec<String> {
        let plan = self.plan;
        let mut list =
            vec![format!("histories with more than {}", counted(self.depth().into(), "cut"))];
        if plan.thin > 1 {
            list.push(format!("about {} of {} tears per step", plan.thin - 1, plan.thin));
        }
        if self.depth() > 1 {
            list.push(format!(
                "most tears of a step after the first cut: about 1 in {} is tried at the second \
                 cut, 1 in {} from the third cut on",
                u64::from(plan.thin.max(1)) * u64::from(THIN_BY_CUTS[1]),
                u64::from(plan.thin.max(1)) * u64::from(THIN_BY_CUTS[2])
            ));
        }
        if self.depth() > 1 && plan.group {
            list.push(
                "cuts in recoveries that are equal to one in which they were made".to_owned(),
            );
        }
        if self.depth() > 1 && plan.group {
            let first = plan.sample.max(1);
            list.push(format!(
                "cuts in most kinds of recovery: they are made in 1 of {first} after the first \
                 cut, and in 1 of {} after later ones",
                first as usize * GROUPS_PER_SAMPLE
            ));
            list.push(format!(
                "writing after most recoveries that did the same as another one: it is tried on \
                 1 in {FOLLOWED_ONE_IN} images"
            ));
        }
        if self.subject.is_on_bus() {
            list.push(
                "cuts within bus commands, and what a reset of the microcontroller alone leaves \
                 other than a state drawn from the image: the random lives make these"
                    .to_owned(),
            );
        }
        if plan.without != Mechanisms::NONE {
            list.push(format!("mechanisms that are switched off: {}", plan.without));
        }
        list.extend(left_out(Some(self.workload.longest_value())));
        list.push(beyond(self.level).to_owned());
        list
    }

    /// Most cuts in one history.
    pub(crate) fn depth(&self) -> u32 {
        self.plan.depth.clamp(1, MOST_CUTS)
    }

    /// A report that tells what the workload does without cuts. `None` beside it if that fails, or
    /// time is up: then the report is complete.
    pub(crate) fn begin(
        &self,
        config: &Config,
        mode: &'static str,
        clock: &Clock<'_>,
    ) -> (Report, Option<Prepared>) {
        let workload = self.plan.workload.to_string();
        let mut report = Report::begun(config, self.subject, mode, workload);
        report.not_explored = self.not_explored();
        match self.prepare() {
            Ok(prepared) => {
                report.baseline = prepared.baseline.summary.clone();
                report.worst = prepared.baseline.worst;
                return (report, Some(prepared));
            }
            Err(finding) if clock.excuses(&finding) => report.verdict = Verdict::Incomplete,
            Err(finding) => report.reason = finding.sentence,
        }
        (report, None)
    }

    /// Runs the workload without cuts.
    pub(crate) fn prepare(&self) -> Result<Prepared, Finding> {
        let mut values = Values::new();
        let script = Script::new(self.workload.all_ops(), &mut values);
        let sizes = self.workload.sizes();
        let continuations = (1..=self.depth())
            .map(|round| {
                let of_key = |about| self.workload.continuation(&sizes, about, round);
                let keys = self.workload.keys.iter();
                keys.map(|(key, _)| Script::new(&of_key(key), &mut values)).collect()
            })
            .collect();
        let rewrite_all = Script::new(&self.workload.rewrite_all(&sizes), &mut values);
        let bad = self.bad.map(|kind| BadSector::next(kind, 0));
        let part = BaselinePart { geometry: self.geometry, bad };
        let baseline = baseline(self.subject, part, self.workload, &script, &values)?;
        Ok(Prepared { values, continuations, rewrite_all, nothing: Script::default(), baseline })
    }

    /// The thinning of tears at cut number `cuts`, counted from 1.
    fn thin(&self, cuts: usize, what: Option<What>) -> u32 {
        let by_cuts = THIN_BY_CUTS[cuts.clamp(1, THIN_BY_CUTS.len()) - 1];
        let by_place = match what {
            Some(What::Op(..)) if cuts > 1 => THIN_IN_OPERATIONS,
            _ => 1,
        };
        self.plan.thin.max(1).saturating_mul(by_cuts * by_place)
    }

    pub(crate) fn tears(&self, image: &Image, trace: &Trace, at: usize, cuts: usize) -> Tears {
        match trace.steps.get(at) {
            None => Tears::none(),
            Some(step) => {
                let thin = self.thin(cuts, trace.segment(at).map(|segment| segment.what));
                let mut tears = Tears::list(self.geometry, self.level, image, step, thin);
                if self.level.of_tears() >= Level::F4 {
                    let collisions = collisions(self.subject, image, step).into_iter();
                    tears.list.extend(collisions.map(|tear| (tear, FaultClass::Adversarial)));
                }
                tears
            }
        }
    }

    /// One in this many images is written to although its recovery is a known one.
    pub(crate) const fn followed_one_in(&self) -> u64 {
        if self.plan.thrifty { FOLLOWED_ONE_IN_THRIFTY } else { FOLLOWED_ONE_IN }
    }

    /// Whether a tear is tried. With bad sectors there are so many histories that each has a share of
    /// the tears only; always among them are nothing and everything.
    pub(crate) fn takes(&self, trace: &Trace, at: usize, tear: u32, cuts: usize) -> bool {
        if self.level < Level::F7 || tear < 2 {
            return true;
        }
        let history = (self.workload.prelude.len() as u64) << 8
            | self.bad.map_or(0, |kind| 1 + u64::from(kind.number()));
        let draw = mixed(mixed(history << 32 | at as u64) ^ (cuts as u64) << 32 ^ u64::from(tear));
        let erases = matches!(trace.steps.get(at), Some(Step::Erase { .. }));
        // A later cut matters most in the erase of a sector that an earlier one left a trace in.
        let more = match (cuts, erases) {
            (1, _) | (_, true) => 1,
            _ => 8,
        };
        draw.is_multiple_of(u64::from(self.plan.thin.clamp(1, MOST_THINNED) * more))
    }

    /// What may become of the bad sector at a cut. A sound part may get one.
    pub(crate) fn bad_changes(&self, image: &Image, cuts: usize, cut: CutPick) -> Vec<BadChange> {
        if self.level < Level::F7 {
            return vec![BadChange::Stays];
        }
        // The kinds take turns, and so do the tears after which there are two of them.
        let draw = mixed(u64::from(cut.tear) ^ u64::from(cut.step) << 32 ^ (cuts as u64) << 24);
        let kind = BadKind::ALL[draw as usize % BadKind::ALL.len()];
        let next = BadChange::Next(kind, (draw >> 40) as u8 % MOST_WAITING);
        match (image.bad(), cuts) {
            (None, _) => vec![BadChange::Stays, next],
            (Some(_), 1) => vec![BadChange::Stays, BadChange::ComesBack, next],
            (Some(_), _) if draw >> 32 & 1 == 0 => vec![BadChange::Stays],
            (Some(_), _) => vec![BadChange::ComesBack],
        }
    }

    /// The ways in which the marginal cells of an image read, one for each power-up to be tried.
    pub(crate) fn picks(&self, image: &Image, cuts: usize, cut: CutPick) -> &'static [BiasPick] {
        let all = BiasPick::list(image.has_marginal(), cuts, cut.tear);
        if !self.plan.thrifty && self.level < Level::F7 {
            return all;
        }
        // The number of the tear alone would always pair the same pattern with the same reading.
        let at = mixed(u64::from(cut.tear) ^ u64::from(cut.step) << 32) as usize % all.len();
        all.get(at..=at).unwrap_or(all)
    }

    pub(crate) fn continuation<'prepared>(
        &self,
        prepared: &'prepared Prepared,
        cuts: usize,
        first_cut: usize,
    ) -> &'prepared Script {
        let keys = self.workload.keys.len().max(1);
        let about = match prepared.baseline.trace.segment(first_cut).map(|segment| segment.what) {
            Some(What::Op(op, _)) => match &self.workload.ops[op] {
                Op::Put { key, .. } | Op::Delete { key } => usize::from(*key),
                Op::Batch(changes) => match changes.first() {
                    Some(Change::Put { key, .. } | Change::Delete { key }) => usize::from(*key),
                    None => 0,
                },
                _ => op % keys,
            },
            _ => 0,
        };
        let of_round = prepared.continuations.get(cuts - 1);
        of_round.and_then(|scripts| scripts.get(about)).unwrap_or(&prepared.nothing)
    }

    /// The operation that the first cut interrupts, if it interrupts one.
    pub(crate) fn in_flight(&self, trace: &Trace, cut: &CutPick) -> Option<OpKind> {
        let segment = trace.segment(cut.step as usize)?;
        match segment.what {
            What::Op(_, kind) if cut.tear > 0 || segment.first < cut.step as usize => Some(kind),
            _ => None,
        }
    }

    pub(crate) fn judge(&self, prepared: &'run Prepared) -> Judge<'run, S> {
        let keys = &self.workload.keys;
        let session = Session::new(self.subject, self.geometry, keys, self.workload.may_fill);
        let without = self.plan.without;
        Judge::new(session, &prepared.values, &prepared.baseline.refusals, without)
    }
}

/// Words for what a cut interrupts.
pub(crate) fn interrupted(trace: &Trace, cut: &CutPick, later: bool) -> String {
    let Some(step) = trace.steps.get(cut.step as usize) else {
        return "no step".to_owned();
    };
    let kind = step.kind();
    match trace.segment(cut.step as usize).map(|segment| segment.what) {
        Some(What::Recovery) if later => format!("{kind} in recovery"),
        Some(What::Recovery) => format!("{kind} in the first start"),
        _ if later => format!("{kind} after recovery"),
        _ => kind.to_owned(),
    }
}
