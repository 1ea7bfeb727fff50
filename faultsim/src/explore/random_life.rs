//! A part that lives through one power-up after another.

use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;

use super::images::{Fingerprint, fingerprint};
use crate::check::collateral_loss::{CollateralLoss, Seen};
use crate::check::coverage::{Coverage, Place};
use crate::check::finding::{Breach, Finding, Signature, When};
use crate::check::oracle::{Effect, Oracle, Values};
use crate::check::session::{Ended, Session, WorstCase};
use crate::history::power_cycle::{PowerCycle, Reads};
use crate::part::{BadChange, BusCut, CutTear, Geometry, Image, Level, Tear};
use crate::report::scene::{MOST_SCENES, Scene, torn};
use crate::subject::{KeyNames, Op, OpKind, Subject};
use crate::workload::mixed;

/// With more allowed states than this everything is read, so that their number stays small.
const MOST_STATES: usize = 16;
/// About how many bytes and pauses on a serial bus one step of the part takes: a program with its
/// polls of the status.
const MOMENTS_PER_STEP: u64 = 128;

/// A store that has refused this many puts and taken none takes none at all.
const REFUSED_BEFORE_ANY: u32 = 20;

pub(crate) struct RandomLife<'run, S: Subject> {
    session: Session<'run, S>,
    /// A second session, to look at the image that a cut left without affecting the life.
    aside: Session<'run, S>,
    level: Level,
    keys: &'run KeyNames,
    values: Values,
    oracle: Oracle,
    /// The part when the power last went off.
    image: Image,
    /// What the last cut interrupted.
    interrupted: String,
    /// Most recoveries in a row that may be cut, and how many were.
    in_a_row: u32,
    recoveries_cut: u32,
    /// The longest value that was ever written to each setting, whether a delete was ever carried
    /// out, and how many puts were refused.
    longest: Vec<Option<usize>>,
    has_deleted: bool,
    refused_puts: u32,
    is_described: bool,
    /// Whether the code has come up in this life.
    was_up: bool,
    pub(crate) operation_lines: Vec<String>,
    pub(crate) cut_lines: Vec<String>,
    pub(crate) scenes: Vec<Scene>,
    /// The part when the running operation or recovery began, if the life is described.
    began: Image,
    pub(crate) coverage: Coverage,
    /// Fingerprint of the image that the last cut left, until it is judged.
    left: Option<Fingerprint>,
    /// Fingerprints of the images judged.
    pub(crate) fingerprints: Vec<Fingerprint>,
    pub(crate) cuts: u64,
    pub(crate) judged: u64,
    pub(crate) power_ups: u64,
    /// What was seen since collateral damage.
    pub(crate) collateral_loss: CollateralLoss,
    /// Set when the code has refused to come up on a damaged part and may do so. Nothing follows
    /// then.
    pub(crate) ended: bool,
}

impl<'run, S: Subject> RandomLife<'run, S> {
    /// A life that begins with a blank part.
    pub(crate) fn new(
        subject: &'run S,
        geometry: &Geometry,
        level: Level,
        keys: &'run KeyNames,
    ) -> Self {
        Self {
            session: Session::new(subject, geometry, keys, false),
            aside: Session::new(subject, geometry, keys, false),
            level,
            keys,
            values: Values::new(),
            oracle: Oracle::new(keys.len()),
            image: Session::blank(subject, geometry),
            interrupted: "no step".to_owned(),
            in_a_row: u32::MAX,
            recoveries_cut: 0,
            longest: vec![None; keys.len()],
            has_deleted: false,
            refused_puts: 0,
            is_described: false,
            was_up: false,
            operation_lines: Vec::new(),
            cut_lines: Vec::new(),
            scenes: Vec::new(),
            began: Session::blank(subject, geometry),
            coverage: Coverage::default(),
            left: None,
            fingerprints: Vec::new(),
            cuts: 0,
            judged: 0,
            power_ups: 0,
            collateral_loss: CollateralLoss::default(),
            ended: false,
        }
    }

    /// Spares every recovery that follows this many interrupted ones in a row.
    pub(crate) fn spare_after(&mut self, in_a_row: u32) {
        self.in_a_row = in_a_row;
    }

    /// Describes the life from here on, for a report.
    pub(crate) fn describe_all(&mut self) {
        self.is_described = true;
    }

    pub(crate) fn worst(&self) -> WorstCase {
        let mut worst = self.session.worst();
        worst.merge(&self.aside.worst());
        worst
    }

    /// How often zeros were programmed over a unit again.
    pub(crate) fn repeated_zeros(&self) -> u64 {
        let of = |session: &Session<'_, S>| session.part.chip().repeated_zeros();
        of(&self.session) + of(&self.aside)
    }

    /// Calls that failed for a bad sector, and power-ups in which the code did not come up for it.
    pub(crate) fn failed(&self) -> (u64, u64) {
        let Self { session, aside, .. } = self;
        (session.failed_calls, session.stayed_down + aside.stayed_down)
    }

    pub(crate) fn signature(&self, finding: &Finding) -> Signature {
        Signature::of(finding, self.session.when.in_flight, self.interrupted.clone())
    }

    /// One power-up until its cut.
    ///
    /// # Errors
    ///
    /// What is wrong.
    pub(crate) fn run_cycle(&mut self, cycle: &PowerCycle) -> Result<(), Finding> {
        if self.ended {
            return Ok(());
        }
        let result = self.live(cycle);
        self.ended = result.as_ref().is_err_and(|finding| self.session.is_excused(finding, &[]));
        if self.ended {
            self.session.noticed.unopened = true;
            self.note_judged();
            return Ok(());
        }
        result
    }

    fn live(&mut self, cycle: &PowerCycle) -> Result<(), Finding> {
        if self.is_described && self.image.has_marginal() {
            self.cut_lines.push(format!("then {}", cycle.bias.bias(cycle.seed)));
        }
        // Not before the first format is done.
        if cycle.bad != BadChange::Stays && self.was_up {
            self.change_bad(cycle.bad);
        }
        let Some(mut store) = self.power_up(cycle, cycle.step)? else {
            self.look_aside(cycle)?;
            self.cut(None);
            return Ok(());
        };
        self.read(cycle, &mut store)?;
        let mut failed = false;
        for op in &cycle.ops {
            if self.session.part.chip().is_off() {
                break;
            }
            if *op == Op::Reopen {
                self.image.copy_from(self.session.part.chip().image());
                let left = cycle.step.saturating_sub(self.session.part.chip().step_count());
                drop(store);
                self.add_line(op, "");
                self.oracle.cut();
                match self.power_up(cycle, left)? {
                    Some(next) => store = next,
                    None => {
                        self.cut(None);
                        return Ok(());
                    }
                }
                continue;
            }
            self.begins();
            self.oracle.invoke(&Effect::of(op, &mut self.values));
            let ended = self.session.apply(&mut store, op);
            match ended.inspect_err(|_| self.add_line(op, " - fails"))? {
                Ended::Done => {
                    self.oracle.ok();
                    self.note_worked(op);
                    self.add_line(op, "");
                }
                Ended::Refused if !self.may_refuse(op) => {
                    let after = self.session.when.cuts_in_words();
                    let sentence = format!("{after} it refuses to {}", op.describe(self.keys));
                    return Err(Finding::new(Breach::NotWritable, sentence));
                }
                Ended::Full | Ended::Refused => {
                    self.oracle.refused();
                    self.add_line(op, " - refused");
                }
                Ended::Failed => {
                    self.oracle.cut();
                    self.add_line(op, " - fails");
                    failed = true;
                    break;
                }
                Ended::Cut => {
                    self.add_line(op, " - interrupted");
                    self.cut(Some(op.kind()));
                    return Ok(());
                }
            }
        }
        if cycle.reads_at_end && !failed && !self.session.part.chip().is_off() {
            self.session.read_all(&mut store, &mut self.oracle, &self.values)?;
        }
        self.cut(None);
        Ok(())
    }

    /// The bad sector works again, or another one goes bad.
    fn change_bad(&mut self, change: BadChange) {
        let bad = change.after(self.image.bad());
        if self.is_described && bad != self.image.bad() {
            self.cut_lines.push(match bad {
                Some(bad) => format!("then {bad}"),
                None => "then the bad sector works again".to_owned(),
            });
        }
        self.image.set_bad(bad);
        self.session.part.chip_mut().set_bad(bad);
    }

    /// Whether the code may refuse this. It may refuse puts to settings and of lengths that it
    /// never accepted in this life, as long as it accepts others, and deletes if it never carried
    /// one out.
    fn may_refuse(&mut self, op: &Op) -> bool {
        match op {
            Op::Put { key, value } => {
                self.refused_puts += 1;
                let longest = self.longest.get(usize::from(*key)).copied().flatten();
                let takes_some = self.longest.iter().any(Option::is_some);
                longest.is_none_or(|longest| longest < value.len())
                    && (takes_some || self.refused_puts < REFUSED_BEFORE_ANY)
            }
            Op::Delete { .. } => !self.has_deleted,
            _ => true,
        }
    }

    fn note_worked(&mut self, op: &Op) {
        match op {
            Op::Put { key, value } => {
                if let Some(longest) = self.longest.get_mut(usize::from(*key)) {
                    *longest = (*longest).max(Some(value.len()));
                }
            }
            Op::Delete { .. } => self.has_deleted = true,
            _ => {}
        }
    }

    /// `None` if the cut came before the code was up.
    fn power_up(&mut self, cycle: &PowerCycle, cut: u64) -> Result<Option<S::Store>, Finding> {
        self.power_ups += 1;
        if self.session.part.chip().is_reset() {
            self.session.restart();
        } else {
            self.session.power_up(&self.image, cycle.bias.bias(cycle.seed), self.is_described);
        }
        self.begins();
        let spared = self.recoveries_cut >= self.in_a_row;
        if !spared {
            self.arm(cycle, cut);
        }
        let store = match self.session.open() {
            Err(finding) if self.session.may_stay_down(&finding) => {
                self.session.view_all(&self.oracle, &self.values)?;
                None
            }
            opened => opened?,
        };
        if spared {
            let up = self.session.part.chip().step_count();
            self.arm(cycle, up.saturating_add(cut));
        }
        self.was_up |= store.is_some();
        self.recoveries_cut = if store.is_some() { 0 } else { self.recoveries_cut + 1 };
        Ok(store)
    }

    fn arm(&mut self, cycle: &PowerCycle, cut: u64) {
        let mut chip = self.session.part.chip_mut();
        let tear = match cycle.tearing.tear() {
            Some(tear) => CutTear::Given(tear),
            None => {
                let rng = Box::new(ChaCha8Rng::seed_from_u64(mixed(cycle.seed)));
                CutTear::Drawn { level: self.level, rng }
            }
        };
        // One in four power-ups on a bus ends at a step, so that no step is missed. The others end
        // at any moment, half of them with a reset.
        let draw = mixed(cycle.seed ^ 0x0062_7573);
        if !self.session.subject.is_on_bus() || draw.is_multiple_of(4) {
            chip.cut_at(cut, tear);
            return;
        }
        let since = chip.bus_moments();
        let moment = since + cut * MOMENTS_PER_STEP + draw / 8 % MOMENTS_PER_STEP;
        let cut = if draw & 4 == 0 { BusCut::Power(tear) } else { BusCut::Reset };
        chip.cut_on_bus(moment, cut);
    }

    fn read(&mut self, cycle: &PowerCycle, store: &mut S::Store) -> Result<(), Finding> {
        let reads = if self.oracle.len() > MOST_STATES { Reads::All } else { cycle.reads };
        match reads {
            Reads::Nothing => self.look_aside(cycle)?,
            Reads::All => {
                self.session.read_all(store, &mut self.oracle, &self.values)?;
                self.note_judged();
            }
            Reads::Few => {
                self.look_aside(cycle)?;
                for (key, _) in self.keys.iter() {
                    if mixed(cycle.seed ^ u64::from(key)) & 1 == 0 {
                        self.session.read(store, key, &mut self.oracle, &self.values)?;
                    }
                }
            }
        }
        Ok(())
    }

    /// Judges the image that the last cut left in the second session. What is read there does not
    /// bind later power-ups, so that damage can stay unnoticed in the life itself.
    fn look_aside(&mut self, cycle: &PowerCycle) -> Result<(), Finding> {
        if self.left.is_none() {
            return Ok(());
        }
        self.power_ups += 1;
        self.aside.when = self.session.when;
        self.aside.power_up(&self.image, cycle.bias.other().bias(cycle.seed ^ 2), false);
        let mut oracle = self.oracle.clone();
        oracle.cut();
        let store = match self.aside.open() {
            Err(finding) if self.aside.may_stay_down(&finding) => {
                self.aside.view_all(&oracle, &self.values)?;
                None
            }
            opened => opened?,
        };
        if let Some(mut store) = store {
            self.aside.read_all(&mut store, &mut oracle, &self.values)?;
            self.note_judged();
        }
        Ok(())
    }

    fn note_judged(&mut self) {
        if let Some(left) = self.left.take() {
            self.fingerprints.push(left);
            self.judged += 1;
            if !self.session.hit.is_none() {
                let seen = self.session.noticed.or(self.aside.noticed);
                // What is written later is counted at the next cut.
                self.collateral_loss += Seen { twice: false, ..seen }.into();
            }
        }
    }

    /// Switches the power off, if that has not happened already, and counts the cut.
    fn cut(&mut self, in_flight: Option<OpKind>) {
        self.cuts += 1;
        self.oracle.cut();
        let done = self.session.part.chip_mut().take_steps();
        let chip = self.session.part.chip();
        self.image.copy_from(chip.image());
        let cut = chip.torn_step();
        let place = match (in_flight, cut) {
            (Some(kind), _) => kind.into(),
            (None, Some(_)) => Place::Recovery,
            (None, None) => Place::Between,
        };
        let (step, tear) = cut.map_or((None, &Tear::NOTHING), |(step, tear)| (Some(step), tear));
        self.coverage.note(place, step, tear);
        // This holds for the rest of the life, since what was damaged may stay unread for long.
        let hit = match step.filter(|_| tear.is_collateral()) {
            Some(step) => {
                let g = chip.geometry();
                self.session.hit.with(&g, step.range(&g).start)
            }
            None => self.session.hit,
        };
        self.interrupted = match cut {
            None => "no step".to_owned(),
            Some((step, _)) => {
                let place = if in_flight.is_some() { "" } else { " in recovery" };
                format!("{}{place}", step.kind())
            }
        };
        if self.is_described {
            let number = self.cuts;
            let place = in_flight.map_or_else(|| "recovery".to_owned(), |kind| kind.to_string());
            self.cut_lines.push(match cut {
                None if chip.is_reset() => {
                    format!("reset {number}: in {place}, the part goes on with what it does")
                }
                None => format!("cut {number}: between operations"),
                Some((step, tear)) => format!("cut {number}: {step} in {place}, {}", torn(tear)),
            });
            self.operation_lines.push(format!("-- cut {number} --"));
            let title = self.cut_lines.last().cloned().unwrap_or_default();
            let (geometry, step) = (chip.geometry(), cut.map(|(step, _)| step));
            let scene = Scene::new(title, &geometry, &done, step, &self.began, &self.image);
            self.scenes.push(scene);
            if self.scenes.len() > MOST_SCENES {
                self.scenes.remove(0);
            }
        }
        let reset = chip.is_reset();
        drop(chip);
        if !hit.is_none() {
            self.oracle.shorten(16 * MOST_STATES);
        }
        self.collateral_loss.twice += u64::from(self.session.noticed.twice);
        for session in [&mut self.session, &mut self.aside] {
            session.hit = hit;
            session.noticed = Seen::default();
        }
        // After a reset alone the part goes on with what it does, so there is no image yet.
        self.left = (!reset).then(|| fingerprint(&self.image));
        let cuts = u32::try_from(self.cuts).unwrap_or(u32::MAX);
        self.session.when = When { cuts, in_flight };
    }

    /// Adds the part as it is when `finding` was made.
    pub(crate) fn describe_end(&mut self, finding: &Finding) {
        let title = format!("found: {}", finding.sentence);
        let mut chip = self.session.part.chip_mut();
        let done = chip.take_steps();
        let geometry = chip.geometry();
        let scene = Scene::new(title, &geometry, &done, None, &self.began, chip.image());
        drop(chip);
        self.scenes.push(scene);
    }

    /// An operation or recovery begins.
    fn begins(&mut self) {
        if self.is_described {
            let mut chip = self.session.part.chip_mut();
            chip.take_steps();
            self.began.copy_from(chip.image());
        }
    }

    fn add_line(&mut self, op: &Op, end: &str) {
        if self.is_described {
            self.operation_lines.push(format!("{}{end}", op.describe(self.keys)));
        }
    }
}
