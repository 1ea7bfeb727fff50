//! Judges one image after a power cut: the code comes up, everything is read, more is written, and
//! the code comes up again.

use super::baseline::{Script, Trace, What, no_cut};
use super::collateral_loss::{CollateralLoss, Hit, Seen};
use super::finding::{Breach, Finding, When};
use super::oracle::{Oracle, Values};
use super::reading::BiasPick;
use super::refusals::Refusals;
use super::session::{Ended, Session};
use crate::ablation::{Mechanism, Mechanisms};
use crate::part::{Geometry, Image, Step, Tear};
use crate::subject::{Op, Subject};

/// The result of judging an image that passed.
#[derive(Debug)]
pub(crate) struct Judged {
    /// Steps of the recovery and of the operations after it, to be cut next.
    pub(crate) trace: Trace,
    /// How many of the steps belong to the recovery.
    pub(crate) recovery_steps: usize,
}

/// What is wanted of an image besides its judgement.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Wanted {
    /// The steps, to cut them next.
    pub(crate) trace: bool,
    /// To see whether all of the part can still be written.
    pub(crate) rewrite_all: bool,
    /// To go on writing and come up again. The other two imply it.
    pub(crate) follow: bool,
}

impl Wanted {
    pub(crate) const NOTHING: Self = Self { trace: false, rewrite_all: false, follow: false };
}

/// What is to be judged.
#[derive(Clone, Copy, Debug)]
pub(crate) struct State<'state> {
    pub(crate) image: &'state Image,
    /// What the history allows.
    pub(crate) allowed: &'state Oracle,
    /// How marginal cells read.
    pub(crate) pick: BiasPick,
    pub(crate) seed: u64,
    pub(crate) when: When,
    /// Where the cuts did collateral damage. With such damage the code owes less.
    pub(crate) hit: Hit,
    /// Which settings are known to be stored in other sectors; empty if that is not known.
    pub(crate) apart: &'state [bool],
}

/// A part that came up from the image to be judged, and was read.
struct Recovered<S: Subject> {
    store: S::Store,
    /// What is allowed after the reads.
    oracle: Oracle,
    /// How many steps coming up took.
    steps: usize,
    /// Whether coming up again can differ: where nothing was written and nothing is marginal, a
    /// second power-up is the same as the first.
    twice: bool,
}

/// A part that was written to after its recovery, came up again and was read.
struct GoneOn<S: Subject> {
    store: S::Store,
    oracle: Oracle,
    judged: Option<Judged>,
}

/// Judges images, one after the other, with the same session.
pub(crate) struct Judge<'run, S: Subject> {
    pub(crate) session: Session<'run, S>,
    values: &'run Values,
    /// What the code does not offer.
    refusals: &'run Refusals,
    /// The part after the recovery, and after the operations that follow it.
    recovered: Image,
    continued: Image,
    /// What is allowed after the reads; kept for its allocations.
    oracle: Oracle,
    pub(crate) power_ups: u64,
    /// Mechanisms that are switched off.
    without: Mechanisms,
    /// The mechanism at work, if it is one that can be switched off.
    pub(crate) at_work: Mechanisms,
    /// What was seen in parts with collateral damage.
    pub(crate) collateral_loss: CollateralLoss,
}

impl<'run, S: Subject> Judge<'run, S> {
    pub(crate) fn new(
        session: Session<'run, S>,
        values: &'run Values,
        refusals: &'run Refusals,
        without: Mechanisms,
    ) -> Self {
        let image = session.part.chip().image().clone();
        Self {
            session,
            values,
            refusals,
            recovered: image.clone(),
            continued: image,
            oracle: Oracle::default(),
            power_ups: 0,
            without,
            at_work: Mechanisms::NONE,
            collateral_loss: CollateralLoss::default(),
        }
    }

    /// Judges `image`. `continuation` is what the device does once it is up again, and
    /// `rewrite_all` is repeated until all of the part was written again. `wants` sees the
    /// recovery's steps and what it reported, and says what is wanted.
    ///
    /// # Errors
    ///
    /// What is wrong.
    pub(crate) fn judge(
        &mut self,
        state: &State<'_>,
        continuation: &Script,
        rewrite_all: &Script,
        wants: impl FnOnce(&[Step], &Oracle) -> Wanted,
    ) -> Result<Option<Judged>, Finding> {
        let hurt = !state.hit.is_none();
        self.session.hit = state.hit;
        if hurt {
            self.session.noticed = Seen::default();
            self.session.apart.extend_from_slice(state.apart);
        }
        let judged = self.judge_image(state, continuation, rewrite_all, wants);
        if !hurt {
            return match judged {
                Err(finding) if finding.read_only => self.comes_back(state).map(|()| None),
                judged => judged,
            };
        }
        self.session.apart.clear();
        let excused =
            judged.as_ref().is_err_and(|finding| self.session.is_excused(finding, state.apart));
        self.session.noticed.unopened = excused;
        self.collateral_loss += self.session.noticed.into();
        if excused { Ok(None) } else { judged }
    }

    /// Where a bad sector keeps the code from coming up, it must come up once the sector works
    /// again.
    fn comes_back(&mut self, state: &State<'_>) -> Result<(), Finding> {
        let State { image, allowed, pick, seed, .. } = *state;
        if image.bad().is_none() {
            return Ok(());
        }
        let mut sound = image.clone();
        sound.set_bad(None);
        let mut oracle = allowed.clone();
        oracle.cut();
        self.power_ups += 1;
        let mut store = come_up(
            &mut self.session,
            &sound,
            (pick, seed ^ 5),
            false,
            (&mut oracle, self.values),
        )?;
        self.session.read_all(&mut store, &mut oracle, self.values)
    }

    fn judge_image(
        &mut self,
        state: &State<'_>,
        continuation: &Script,
        rewrite_all: &Script,
        wants: impl FnOnce(&[Step], &Oracle) -> Wanted,
    ) -> Result<Option<Judged>, Finding> {
        let recovered = self.recover(state)?;
        let wanted = {
            let chip = self.session.part.chip();
            wants(chip.steps().get(..recovered.steps).unwrap_or_default(), &recovered.oracle)
        };
        if self.without.has(Mechanism::GoOn) || wanted == Wanted::NOTHING {
            return self.stop_here(state, wanted, recovered);
        }
        let go_on = self.go_on(state, wanted, recovered, continuation)?;
        if wanted.rewrite_all && !self.without.has(Mechanism::RewriteAll) {
            self.at_work = Mechanism::RewriteAll.into();
            let State { pick, seed, .. } = *state;
            self.rewrite_all(go_on.store, go_on.oracle, rewrite_all, pick, seed ^ 2)?;
        }
        Ok(go_on.judged)
    }
}

impl<S: Subject> Judge<'_, S> {
    /// Comes up and reads everything.
    fn recover(&mut self, state: &State<'_>) -> Result<Recovered<S>, Finding> {
        let State { image, allowed, pick, seed, when, .. } = *state;
        self.session.when = when;
        self.at_work = Mechanisms::NONE;
        self.power_ups += 1;
        let mut oracle = std::mem::take(&mut self.oracle);
        oracle.copy_from(allowed);
        // What was read so far was read in an earlier power-up.
        oracle.cut();
        let known = (&mut oracle, self.values);
        let mut store = come_up(&mut self.session, image, (pick, seed), true, known)?;
        let steps = self.session.part.chip().steps().len();
        self.session.read_all(&mut store, &mut oracle, self.values)?;
        // From here on the code may move settings to where the damage is.
        self.session.apart.clear();
        let twice = steps > 0 || image.has_marginal();
        Ok(Recovered { store, oracle, steps, twice })
    }

    /// Ends the judgement without writing anything; comes up again if that can differ.
    fn stop_here(
        &mut self,
        state: &State<'_>,
        wanted: Wanted,
        recovered: Recovered<S>,
    ) -> Result<Option<Judged>, Finding> {
        let State { image, allowed, pick, seed, .. } = *state;
        let Recovered { store, mut oracle, steps, twice } = recovered;
        drop(store);
        let judged = wanted.trace.then(|| {
            let mut trace = self.recovery_trace(steps, allowed);
            trace.after = oracle.clone();
            Judged { trace, recovery_steps: steps }
        });
        if image.has_marginal() || self.without.has(Mechanism::GoOn) && twice {
            self.recovered.copy_from(self.session.part.chip().image());
            self.come_up_the_same(&mut oracle, pick, seed)?;
        }
        self.oracle = oracle;
        Ok(judged)
    }

    /// Carries out the continuation; then comes up from the recovered part once more, and from the
    /// part as the continuation left it.
    fn go_on(
        &mut self,
        state: &State<'_>,
        wanted: Wanted,
        recovered: Recovered<S>,
        continuation: &Script,
    ) -> Result<GoneOn<S>, Finding> {
        let State { allowed, pick, seed, .. } = *state;
        let Recovered { mut store, mut oracle, steps, twice } = recovered;
        let mut recovered = oracle.clone();
        if twice {
            self.recovered.copy_from(self.session.part.chip().image());
        }
        self.at_work = Mechanism::GoOn.into();
        let mut trace = wanted.trace.then(|| self.recovery_trace(steps, allowed));
        self.session.part.chip_mut().record_steps(trace.is_some());
        for (index, (op, effect)) in continuation.ops.iter().enumerate() {
            if self.refusals.covers(op) {
                continue;
            }
            let before = trace.is_some().then(|| oracle.clone());
            oracle.invoke(effect);
            let during = trace.is_some().then(|| oracle.clone());
            let goes_on = self.apply(&mut store, op, &mut oracle)?;
            if let (Some(trace), Some(before), Some(mut during)) = (&mut trace, before, during) {
                during.cut();
                let steps = self.session.part.chip_mut().take_steps();
                trace.add(steps, before, during, What::Op(index, op.kind()));
            }
            if !goes_on {
                break;
            }
        }
        drop(store);
        self.continued.copy_from(self.session.part.chip().image());
        if twice {
            self.come_up_the_same(&mut recovered, pick, seed)?;
        }
        self.at_work = Mechanism::GoOn.into();
        self.power_ups += 1;
        let judged = trace.map(|mut trace| {
            trace.after = oracle.clone();
            Judged { trace, recovery_steps: steps }
        });
        oracle.cut();
        // The sector works again, or stays as it is.
        if seed & 1 == 0 {
            self.continued.set_bad(None);
        }
        let (pick, known) = (pick.other(), (&mut oracle, self.values));
        let mut store =
            come_up(&mut self.session, &self.continued, (pick, seed ^ 1), false, known)?;
        self.session.read_all(&mut store, &mut oracle, self.values)?;
        Ok(GoneOn { store, oracle, judged })
    }

    /// Runs one operation that the oracle knows to have begun. Only a part that fills up may refuse
    /// it.
    fn apply(
        &mut self,
        store: &mut S::Store,
        op: &Op,
        oracle: &mut Oracle,
    ) -> Result<bool, Finding> {
        match self.session.apply(store, op)? {
            Ended::Done => oracle.ok(),
            Ended::Full => {
                self.session.excuse(op, oracle, self.values)?;
                oracle.refused();
            }
            Ended::Failed => {
                // Whether it was made is open, and no further changes are taken.
                let mut reads = oracle.clone();
                reads.cut();
                self.session.read_all(store, &mut reads, self.values)?;
                oracle.cut();
                return Ok(false);
            }
            Ended::Refused => return Err(refuses(op, &self.session.when)),
            Ended::Cut => return Err(no_cut()),
        }
        Ok(true)
    }

    /// Which settings are served from other sectors than the one that a tear hits, by number. This
    /// is observed after the same tear without its collateral damage. It is not known, and the list
    /// empty, if there are damage or marginal bits already.
    pub(crate) fn find_apart(
        &mut self,
        g: &Geometry,
        before: &Image,
        step: &Step,
        tear: &Tear,
        hit: Hit,
    ) -> Vec<bool> {
        let Some(sound) = tear.without_collateral() else { return Vec::new() };
        if !hit.is_none() || before.has_marginal() {
            return Vec::new();
        }
        self.continued.copy_from(before);
        self.continued.apply_torn(g, step, &sound);
        self.session.hit = Hit::NONE;
        self.power_ups += 1;
        let mut unknown = Oracle::default();
        let reading = (BiasPick::Stored, 0);
        let known = (&mut unknown, self.values);
        let up = come_up(&mut self.session, &self.continued, reading, true, known);
        let hit = hit.with(g, step.range(g).start);
        up.map(|mut store| self.session.find_apart(&mut store, hit)).unwrap_or_default()
    }

    /// The first `count` steps, which coming up took.
    fn recovery_trace(&mut self, count: usize, allowed: &Oracle) -> Trace {
        let mut trace = Trace::default();
        let steps = self.session.part.chip_mut().take_first_steps(count);
        trace.add(steps, allowed.clone(), allowed.clone(), What::Recovery);
        trace
    }

    /// Powers the recovered part up once more. The code must report what it reported before.
    fn come_up_the_same(
        &mut self,
        oracle: &mut Oracle,
        pick: BiasPick,
        seed: u64,
    ) -> Result<(), Finding> {
        if self.without.has(Mechanism::SecondLook) {
            return Ok(());
        }
        self.at_work = Mechanism::SecondLook.into();
        self.power_ups += 1;
        oracle.cut();
        let (pick, known) = (pick.other(), (&mut *oracle, self.values));
        let mut store =
            come_up(&mut self.session, &self.recovered, (pick, seed ^ 3), false, known)?;
        self.session.read_all(&mut store, oracle, self.values)
    }

    /// Writes more than the part holds, then comes up once more.
    fn rewrite_all(
        &mut self,
        mut store: S::Store,
        mut oracle: Oracle,
        script: &Script,
        pick: BiasPick,
        seed: u64,
    ) -> Result<(), Finding> {
        let bytes = u64::from(self.session.part.chip().geometry().bytes());
        let enough = bytes + bytes / 4;
        self.session.part.chip_mut().record_steps(false);
        // Code that writes little for a small change is not asked for more puts than this.
        let most = usize::try_from(bytes / 8).unwrap_or(usize::MAX);
        for (op, effect) in script.ops.iter().cycle().take(most) {
            if self.session.part.chip().counts().programmed_bytes > enough {
                break;
            }
            if self.refusals.covers(op) {
                continue;
            }
            oracle.invoke(effect);
            if !self.apply(&mut store, op, &mut oracle)? {
                break;
            }
        }
        drop(store);
        self.power_ups += 1;
        oracle.cut();
        self.continued.copy_from(self.session.part.chip().image());
        let known = (&mut oracle, self.values);
        let mut store = come_up(&mut self.session, &self.continued, (pick, seed), false, known)?;
        self.session.read_all(&mut store, &mut oracle, self.values)
    }
}

fn refuses(op: &Op, when: &When) -> Finding {
    let sentence =
        format!("{} it refuses a {}, which worked before", when.cuts_in_words(), op.kind());
    Finding::new(Breach::NotWritable, sentence)
}

fn come_up<S: Subject>(
    session: &mut Session<'_, S>,
    image: &Image,
    (pick, seed): (BiasPick, u64),
    record: bool,
    (oracle, values): (&mut Oracle, &Values),
) -> Result<S::Store, Finding> {
    session.power_up(image, pick.bias(seed), record);
    match session.open() {
        Err(finding) if session.may_stay_down(&finding) => {
            session.view_all(oracle, values)?;
            Err(Finding { read_only: true, ..finding })
        }
        opened => opened?.ok_or_else(no_cut),
    }
}
