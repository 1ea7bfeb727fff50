//! What a power-up wrote, step by step, with what the history allows before, during and after each
//! operation; and the uncut run of the workload that everything starts from.

use super::coverage::Place;
use super::finding::{Breach, Finding};
use super::oracle::{Effect, Oracle, Values};
use super::reading::BiasPick;
use super::refusals::Refusals;
use super::session::{Ended, Session, WorstCase};
use crate::part::{BadSector, DeviceTime, Geometry, Image, Step};
use serde::{Deserialize, Serialize};

use crate::subject::{Op, OpKind, Subject};
use crate::workload::Workload;

/// Steps of one power-up, or of several with orderly restarts between them, as one sequence that
/// can be cut anywhere.
#[derive(Clone, Debug, Default)]
pub(crate) struct Trace {
    pub(crate) steps: Vec<Step>,
    /// In order of `first`.
    pub(crate) segments: Vec<Segment>,
    /// What is allowed after the last step.
    pub(crate) after: Oracle,
}

/// The steps of one recovery or one operation.
#[derive(Clone, Debug)]
pub(crate) struct Segment {
    /// Index of its first step.
    pub(crate) first: usize,
    /// What is allowed before it started, and while it runs.
    pub(crate) before: Oracle,
    pub(crate) during: Oracle,
    pub(crate) what: What,
}

/// What a cut can interrupt.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum What {
    Recovery,
    /// The operation with this index in the list it comes from.
    Op(usize, OpKind),
}

impl Trace {
    /// The segment a step belongs to; `None` for a cut after the last step.
    pub(crate) fn segment(&self, step: usize) -> Option<&Segment> {
        if step >= self.steps.len() {
            return None;
        }
        let next = self.segments.partition_point(|segment| segment.first <= step);
        self.segments.get(next.checked_sub(1)?)
    }

    /// What is allowed after a cut in a step. If nothing of the step happened and it is the first
    /// of its segment, the cut came before the operation began.
    pub(crate) fn allowed(&self, step: usize, nothing: bool) -> &Oracle {
        match self.segment(step) {
            None => &self.after,
            Some(segment) if nothing && segment.first == step => &segment.before,
            Some(segment) => &segment.during,
        }
    }

    /// The place of a cut in a step of `trace`; `later` if there was a cut before.
    pub(crate) fn place(&self, step: usize, later: bool) -> Place {
        match self.segment(step).map(|segment| segment.what) {
            None => Place::Between,
            Some(What::Recovery) if later => Place::Recovery,
            Some(What::Recovery) => Place::FirstStart,
            Some(What::Op(..)) if later => Place::AfterRecovery,
            Some(What::Op(_, kind)) => kind.into(),
        }
    }

    /// Adds the steps of one segment.
    pub(crate) fn add(&mut self, steps: Vec<Step>, before: Oracle, during: Oracle, what: What) {
        // A segment without steps cannot be cut.
        if !steps.is_empty() {
            self.segments.push(Segment { first: self.steps.len(), before, during, what });
            self.steps.extend(steps);
        }
    }
}

/// Operations, each with its effect on the settings.
#[derive(Clone, Debug, Default)]
pub(crate) struct Script {
    pub(crate) ops: Vec<(Op, Effect)>,
}

impl Script {
    pub(crate) fn new<'op>(ops: impl IntoIterator<Item = &'op Op>, values: &mut Values) -> Self {
        let ops = ops.into_iter().map(|op| (op.clone(), Effect::of(op, values))).collect();
        Self { ops }
    }
}

/// The uncut run of a workload.
#[derive(Debug)]
pub(crate) struct Baseline {
    /// The part when the explored operations begin.
    pub(crate) start: Image,
    /// The explored operations. Without a prelude, coming up on the blank part belongs to them.
    pub(crate) trace: Trace,
    /// What the code does not offer.
    pub(crate) refusals: Refusals,
    pub(crate) summary: BaselineSummary,
    pub(crate) worst: WorstCase,
}

/// The uncut run in numbers: prelude and explored operations.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct BaselineSummary {
    /// Operations of the prelude.
    pub prelude_ops: u64,
    /// Operations explored.
    pub ops: u64,
    /// Program and erase steps of the explored operations.
    pub steps: u64,
    /// Operations the code refused, by kind: the code does not offer them.
    pub refused: Vec<(String, u64)>,
    /// Operations that found no room.
    pub full: u64,
    /// Simulated device time of the whole run.
    pub device_time: DeviceTime,
    /// Erases of the sector with the most erases, and of the one with the fewest.
    pub most_erased: u32,
    /// See `most_erased`.
    pub least_erased: u32,
}

/// In the prelude, the settings are read back after one in this many operations.
const PRELUDE_READS: usize = 64;

/// The part that the workload runs on.
#[derive(Clone, Copy, Debug)]
pub(crate) struct BaselinePart<'run> {
    pub(crate) geometry: &'run Geometry,
    /// The sector that goes bad in the explored operations.
    pub(crate) bad: Option<BadSector>,
}

/// How often each kind of operation was refused.
fn counted(kinds: &[OpKind]) -> Vec<(String, u64)> {
    let mut counts: Vec<(String, u64)> = Vec::new();
    for kind in kinds {
        let kind = kind.to_string();
        match counts.iter_mut().find(|(known, _)| *known == kind) {
            Some((_, count)) => *count += 1,
            None => counts.push((kind, 1)),
        }
    }
    counts
}

/// Runs the workload without cuts.
///
/// # Errors
///
/// What is wrong with the code even without cuts.
pub(crate) fn baseline<S: Subject>(
    subject: &S,
    BaselinePart { geometry, bad }: BaselinePart<'_>,
    workload: &Workload,
    script: &Script,
    values: &Values,
) -> Result<Baseline, Finding> {
    let session = Session::new(subject, geometry, &workload.keys, workload.may_fill);
    let mut run = BaselineRun {
        session: session.long_life(),
        image: Session::blank(subject, geometry),
        oracle: Oracle::new(workload.keys.len()),
        time: DeviceTime::default(),
        trace: Trace::default(),
        refused: Vec::new(),
        refusals: Refusals::default(),
        full: 0,
    };
    let recording = workload.prelude.is_empty();
    if recording {
        run.image.set_bad(bad);
    }
    let mut start = run.image.clone();
    let Some(mut store) = run.come_up(recording, What::Recovery, values)? else {
        return Err(no_cut());
    };
    let mut ended = false;
    for (index, (op, effect)) in script.ops.iter().enumerate() {
        let explored = index.checked_sub(workload.prelude.len());
        if explored == Some(0) && !recording {
            run.session.part.chip_mut().set_bad(bad);
            start.copy_from(run.session.part.chip().image());
            run.session.part.chip_mut().take_steps();
        }
        let what = What::Op(explored.unwrap_or(index), op.kind());
        // After a call that failed, the code takes changes again after a restart only, if it does.
        let recorded = explored.is_some().then_some(what);
        if *op == Op::Reopen || !run.run(&mut store, op, effect, recorded, values)? {
            drop(store);
            run.end_power_up();
            match run.come_up(explored.is_some(), what, values)? {
                Some(next) => store = next,
                None => {
                    ended = true;
                    break;
                }
            }
        }
        if explored.is_some() || index % PRELUDE_READS == 0 || *op == Op::Reopen {
            run.session.read_all(&mut store, &mut run.oracle, values)?;
        }
    }
    if !ended {
        run.end_power_up();
    }
    let mut trace = std::mem::take(&mut run.trace);
    trace.after = std::mem::take(&mut run.oracle);
    let wear = run.session.part.chip().wear();
    let summary = BaselineSummary {
        prelude_ops: workload.prelude.len() as u64,
        ops: workload.ops.len() as u64,
        steps: trace.steps.len() as u64,
        refused: counted(&run.refused),
        full: run.full,
        device_time: run.time,
        most_erased: wear.most_erased,
        least_erased: wear.least_erased,
    };
    let BaselineRun { refusals, session, .. } = run;
    if refusals.all(OpKind::Put) {
        let sentence = "without any cut every put is refused: there is nothing to cut";
        return Err(Finding::new(Breach::NotWritable, sentence));
    }
    Ok(Baseline { start, trace, refusals, summary, worst: session.worst() })
}

struct BaselineRun<'run, S: Subject> {
    session: Session<'run, S>,
    /// The part at the last power-up.
    image: Image,
    oracle: Oracle,
    time: DeviceTime,
    trace: Trace,
    refused: Vec<OpKind>,
    refusals: Refusals,
    full: u64,
}

impl<S: Subject> BaselineRun<'_, S> {
    /// `None` if the code does not come up because of a bad sector, and may do so.
    fn come_up(
        &mut self,
        record: bool,
        what: What,
        values: &Values,
    ) -> Result<Option<S::Store>, Finding> {
        self.session.power_up(&self.image, BiasPick::Stored.bias(0), record);
        self.oracle.cut();
        let store = match self.session.open() {
            Err(finding) if self.session.may_stay_down(&finding) => {
                self.session.view_all(&self.oracle, values)?;
                None
            }
            opened => Some(opened?.ok_or_else(no_cut)?),
        };
        if record {
            let steps = self.session.part.chip_mut().take_steps();
            self.trace.add(steps, self.oracle.clone(), self.oracle.clone(), what);
        }
        // From here on the steps of operations are recorded: they are wanted now or will be soon.
        self.session.part.chip_mut().record_steps(true);
        Ok(store)
    }

    fn end_power_up(&mut self) {
        let chip = self.session.part.chip();
        self.image.copy_from(chip.image());
        self.time += chip.time();
    }

    fn run(
        &mut self,
        store: &mut S::Store,
        op: &Op,
        effect: &Effect,
        explored: Option<What>,
        values: &Values,
    ) -> Result<bool, Finding> {
        let mut goes_on = true;
        let before = explored.is_some().then(|| self.oracle.clone());
        self.oracle.invoke(effect);
        let mut during = before.as_ref().map(|_| self.oracle.clone()).unwrap_or_default();
        match self.session.apply(store, op)? {
            Ended::Done => {
                self.oracle.ok();
                self.refusals.worked(op);
            }
            Ended::Full => {
                self.session.excuse(op, &self.oracle, values)?;
                self.full += 1;
                self.oracle.refused();
            }
            Ended::Refused => {
                self.refused.push(op.kind());
                self.refusals.refused(op);
                self.oracle.refused();
            }
            Ended::Failed => {
                self.oracle.cut();
                goes_on = false;
            }
            Ended::Cut => return Err(no_cut()),
        }
        let steps = self.session.part.chip_mut().take_steps();
        if let (Some(before), Some(what)) = (before, explored) {
            during.cut();
            self.trace.add(steps, before, during, what);
        }
        Ok(goes_on)
    }
}

/// The part switched itself off without a cut. That cannot happen, but must not pass unnoticed.
pub(crate) fn no_cut() -> Finding {
    Finding::new(Breach::NotOpening, "the power went off without a cut")
}
