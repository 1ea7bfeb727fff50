//! The running part: cells, power, counters and the planned cut. This is the fast model that the
//! rig runs; [`super::slow_model`] is the readable one that tests compare it with.

mod check;

use core::ops::Range;

use rand::rngs::ChaCha8Rng;

use crate::part::bad_sector::BadSector;
use crate::part::bias::Bias;
use crate::part::bus_state::Volatile;
use crate::part::byte_set::ByteSet;
use crate::part::cells::{Image, Step};
use crate::part::contract::{ContractViolation, PartError};
use crate::part::cut::{BusCut, CutTear};
use crate::part::geometry::{Geometry, Level};
use crate::part::marginal::marginal_within;
use crate::part::programs::SecondPrograms;
use crate::part::tears::tear::Tear;
use crate::part::timing::{DeviceTime, Timing};

/// How many calls may fail in one power-up before the code is stopped. This is far more than a scan
/// of the whole part byte by byte takes in code that ignores the errors.
const MOST_FAILED: u32 = 200_000;

/// Work done since power-up. Refused calls are not counted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Read calls.
    pub reads: u64,
    /// Bytes read.
    pub read_bytes: u64,
    /// Program calls.
    pub program_calls: u64,
    /// Page programs that completed.
    pub programs: u64,
    /// Bytes in these programs.
    pub programmed_bytes: u64,
    /// Sector erases that completed.
    pub erases: u64,
}

/// Erases of single sectors over the life of the part, including interrupted ones.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Wear {
    /// Erase count of the most-erased sector.
    pub most_erased: u32,
    /// Erase count of the least-erased sector.
    pub least_erased: u32,
}

/// A running part.
#[derive(Debug)]
pub struct Chip {
    geometry: Geometry,
    timing: Timing,
    image: Image,
    bias: Bias,
    off: bool,
    cut: Option<(u64, CutTear)>,
    torn: Option<(Step, Tear)>,
    step: u64,
    fuel: u64,
    calls: u64,
    /// Calls that failed since power-up.
    failed: u32,
    counts: Counts,
    /// Without reads, whose time follows from their counts.
    time: DeviceTime,
    violations: Vec<ContractViolation>,
    recording: bool,
    trace: Vec<Step>,
    permits_second: bool,
    programmed_twice: bool,
    /// The bytes of repeatable units whose last reading since power-up was blank.
    read_blank: ByteSet,
    repeated_zeros: u64,
    most_programs: u8,
    /// The ranges read since the last call of `watch_reads`, if there was one.
    watched: Option<Vec<Range<u32>>>,
    /// Allocations to reuse for the data of recorded steps.
    spare: Vec<Vec<u8>>,
    volatile: Volatile,
}

impl Chip {
    /// A blank, powered part with the times of [`Timing::SERIAL_NOR`] and no limit on its calls.
    pub fn new(g: Geometry) -> Self {
        Self {
            geometry: g,
            timing: Timing::SERIAL_NOR,
            image: Image::blank(&g),
            bias: Bias::stored(),
            off: false,
            cut: None,
            torn: None,
            step: 0,
            fuel: u64::MAX,
            calls: 0,
            failed: 0,
            counts: Counts::default(),
            time: DeviceTime::default(),
            violations: Vec::new(),
            recording: false,
            trace: Vec::new(),
            permits_second: false,
            programmed_twice: false,
            read_blank: ByteSet::default(),
            repeated_zeros: 0,
            most_programs: 0,
            watched: None,
            spare: Vec::new(),
            volatile: Volatile::default(),
        }
    }

    /// Replaces the cells by `image`, which must have the same geometry, clears counters, recorded
    /// steps, violations and any planned cut, and switches the power on. The limit on calls and the
    /// recording stay as they were set; the count of calls starts again.
    pub fn power_up(&mut self, image: &Image, bias: Bias) {
        self.image.copy_from(image);
        self.bias = bias;
        self.off = false;
        self.volatile = Volatile::default();
        self.read_blank.clear();
        self.begin();
    }

    /// Restarts the microcontroller while the part keeps its power: the cells and the state of the
    /// command interpreter stay, including a command that is under way. Otherwise like
    /// [`Chip::power_up`].
    pub fn restart(&mut self) {
        self.volatile.is_reset = false;
        self.volatile.moments = 0;
        self.volatile.cut = None;
        // A program that goes on was asked for after what was read before.
        if self.volatile.busy.is_none() {
            self.read_blank.clear();
        }
        self.begin();
    }

    fn begin(&mut self) {
        self.cut = None;
        self.torn = None;
        self.step = 0;
        self.calls = 0;
        self.failed = 0;
        self.counts = Counts::default();
        self.time = DeviceTime::default();
        self.violations.clear();
        self.watched = None;
        self.programmed_twice = false;
        for step in self.trace.drain(..) {
            if let Step::Program { data, .. } = step {
                self.spare.push(data);
            }
        }
    }

    /// The cells as they are now.
    pub fn image(&self) -> &Image {
        &self.image
    }

    /// Sizes of the part.
    pub fn geometry(&self) -> Geometry {
        self.geometry
    }

    /// Makes a sector bad, or the one that is bad work again.
    pub fn set_bad(&mut self, bad: Option<BadSector>) {
        self.image.set_bad(bad);
    }

    /// Sets how long operations take from now on.
    pub fn set_timing(&mut self, timing: Timing) {
        self.timing = timing;
    }

    /// Whether completed steps are kept for [`Chip::take_steps`].
    pub fn record_steps(&mut self, on: bool) {
        self.recording = on;
    }

    /// The steps completed and recorded since power-up or the last call, in order. The step that a
    /// cut tore is not included; see [`Chip::torn_step`].
    pub fn take_steps(&mut self) -> Vec<Step> {
        core::mem::take(&mut self.trace)
    }

    /// Chooses what the part does about second programs from now on, see
    /// [`Image::set_second_programs`]. Later it follows from the image that is powered up.
    pub fn set_second_programs(&mut self, rule: SecondPrograms) {
        self.image.set_second_programs(&self.geometry, rule);
        self.read_blank.clear();
    }

    /// How often zeros were programmed a second time by the exception of
    /// [`SecondPrograms::Refused`], over all power-ups of this chip.
    pub fn repeated_zeros(&self) -> u64 {
        self.repeated_zeros
    }

    /// The most programs of one unit between two completed erases, over all power-ups of this chip;
    /// counted up to 127. It is 0 with [`SecondPrograms::ZerosAllowed`], which records none.
    pub fn most_programs(&self) -> u32 {
        self.most_programs.into()
    }

    /// Whether programs over programmed units, and in sectors whose erase was interrupted, are
    /// carried out and noted instead of refused. The rig permits them after collateral damage,
    /// which can make programmed units read as blank.
    pub(crate) fn permit_second_programs(&mut self, on: bool) {
        self.permits_second = on;
    }

    /// Whether there was such a program since power-up.
    pub(crate) fn programmed_twice(&self) -> bool {
        self.programmed_twice
    }

    /// The ranges read since the last call, if there was one since power-up. Reads are recorded
    /// from now on.
    pub(crate) fn watch_reads(&mut self) -> Vec<Range<u32>> {
        self.watched.replace(Vec::new()).unwrap_or_default()
    }

    /// The steps that [`Chip::take_steps`] would return.
    pub(crate) fn steps(&self) -> &[Step] {
        &self.trace
    }

    /// Takes the first `count` of these steps.
    pub(crate) fn take_first_steps(&mut self, count: usize) -> Vec<Step> {
        let rest = self.trace.split_off(count.min(self.trace.len()));
        core::mem::replace(&mut self.trace, rest)
    }

    /// Number of steps completed since power-up.
    pub fn step_count(&self) -> u64 {
        self.step
    }

    /// Plans a power cut: step number `step`, counted from 0 at power-up, is torn and the power
    /// goes off. This replaces an earlier cut that has not happened yet.
    pub fn cut_at(&mut self, step: u64, tear: impl Into<CutTear>) {
        self.cut = Some((step, tear.into()));
    }

    /// The same with a tear that is drawn when the step is known.
    pub fn cut_randomly(&mut self, step: u64, level: Level, rng: ChaCha8Rng) {
        self.cut_at(step, CutTear::Drawn { level, rng: Box::new(rng) });
    }

    /// Ends the run at a moment of the serial bus, see [`BusCut`]. It has no effect if the part is
    /// not used through [`super::spi`]. This replaces an earlier one that has not happened yet.
    pub fn cut_on_bus(&mut self, moment: u64, cut: BusCut) {
        self.volatile.cut = Some((moment, cut));
    }

    /// The number of moments of the serial bus since power-up.
    pub fn bus_moments(&self) -> u64 {
        self.volatile.moments
    }

    /// Whether a cut has taken the power away, or a reset has ended the code under test.
    pub fn is_off(&self) -> bool {
        self.off || self.volatile.is_reset
    }

    /// Whether a reset has ended the code under test while the part still has power.
    pub fn is_reset(&self) -> bool {
        !self.off && self.volatile.is_reset
    }

    /// Switches the power off while no step is under way.
    pub(crate) fn switch_off(&mut self) {
        self.off = true;
    }

    /// Tears a step without a power cut, because the part was told to abort it.
    pub(crate) fn abort(&mut self, step: &Step, tear: &Tear) {
        self.image.apply_torn(&self.geometry, step, tear);
        if let Step::Program { .. } = step {
            // The power stays on, so no later power-up can have to repeat it.
            let Range { start, end } = step.range(&self.geometry);
            self.image.programs_mut().note_used(start as usize..end as usize);
        }
    }

    /// Notes a violation that takes effect nevertheless.
    pub(crate) fn note(&mut self, violation: ContractViolation) {
        self.violations.push(violation);
    }

    pub(crate) fn volatile(&self) -> &Volatile {
        &self.volatile
    }

    pub(crate) fn volatile_mut(&mut self) -> &mut Volatile {
        &mut self.volatile
    }

    pub(crate) fn timing(&self) -> &Timing {
        &self.timing
    }

    /// The step that the cut interrupted, and how it was torn.
    pub fn torn_step(&self) -> Option<&(Step, Tear)> {
        self.torn.as_ref()
    }

    /// Grants this many reads, programs and erases per power-up, including refused ones; further
    /// calls fail with [`PartError::Fuel`].
    pub fn set_fuel(&mut self, calls: u64) {
        self.fuel = calls;
    }

    /// Work done since power-up.
    pub fn counts(&self) -> Counts {
        self.counts
    }

    /// Device time since power-up, without the interrupted step.
    pub fn time(&self) -> DeviceTime {
        let mut time = self.time;
        time += self.timing.reads(self.counts.reads, self.counts.read_bytes);
        time
    }

    /// Wear over the life of the image.
    pub fn wear(&self) -> Wear {
        let counts = self.image.erase_counts();
        Wear {
            most_erased: counts.iter().copied().max().unwrap_or(0),
            least_erased: counts.iter().copied().min().unwrap_or(0),
        }
    }

    /// Contract violations since power-up, in order.
    pub fn violations(&self) -> &[ContractViolation] {
        &self.violations
    }

    /// Reads the bytes that begin at `at`.
    ///
    /// # Errors
    /// [`PartError`]; `out` is unchanged then.
    #[inline]
    pub fn read(&mut self, at: u32, out: &mut [u8]) -> Result<(), PartError> {
        self.begin_call()?;
        let from = at as usize;
        let to = from.saturating_add(out.len());
        let Some(cells) = self.image.bytes().get(from..to) else {
            return Err(self.refuse_range(at, out.len()));
        };
        copy(out, cells);
        if self.image.has_marginal() {
            let marginal = self.image.marginal();
            for entry in &marginal[marginal_within(marginal, from, to)] {
                let byte = &mut out[entry.at as usize - from];
                *byte = self.bias.byte(*byte, entry.mask, entry.at, self.counts.reads);
            }
        }
        if self.image.programs().needs_readings() {
            self.note_reading(from, out);
        }
        self.counts.reads += 1;
        self.counts.read_bytes += out.len() as u64;
        if let Some(watched) = &mut self.watched {
            watched.push(at..at + out.len() as u32);
        }
        Ok(())
    }

    /// Clears the bits that are 0 in `data`, page by page.
    ///
    /// # Errors
    /// [`PartError`]. After a contract violation nothing has changed; after
    /// [`PartError::PowerOff`] earlier pages are complete and the one at the cut is torn.
    pub fn program(&mut self, at: u32, data: &[u8]) -> Result<(), PartError> {
        self.begin_call()?;
        self.check_program(at, data, false)?;
        self.program_pages(at, data)
    }

    /// The same on a part that lets a unit be programmed any number of times, as
    /// [`embedded_storage::nor_flash::MultiwriteNorFlash`] has it: bits that are 0 already stay 0.
    ///
    /// # Errors
    /// As [`Chip::program`].
    pub fn program_bits(&mut self, at: u32, data: &[u8]) -> Result<(), PartError> {
        self.begin_call()?;
        self.check_program(at, data, true)?;
        self.program_pages(at, data)
    }

    fn program_pages(&mut self, at: u32, data: &[u8]) -> Result<(), PartError> {
        self.counts.program_calls += 1;
        let page = self.geometry.page_size();
        let (mut at, mut rest) = (at, data);
        while !rest.is_empty() {
            let room = (page - at % page) as usize;
            let (now, later) = rest.split_at(room.min(rest.len()));
            self.program_page(at, now)?;
            at += now.len() as u32;
            rest = later;
        }
        Ok(())
    }

    /// Erases the sectors of bytes `from..to`, in ascending order.
    ///
    /// # Errors
    /// [`PartError`]. After a contract violation nothing has changed; after
    /// [`PartError::PowerOff`] earlier sectors are complete and the one at the cut is torn.
    pub fn erase(&mut self, from: u32, to: u32) -> Result<(), PartError> {
        self.begin_call()?;
        let size = self.geometry.sector_size();
        if from > to || to as usize > self.image.bytes().len() {
            return Err(self.refuse(ContractViolation::OutOfRange { from, to: to.into() }));
        }
        if !from.is_multiple_of(size) || !to.is_multiple_of(size) {
            return Err(self.refuse_alignment(from, to.into(), size));
        }
        for sector in from / size..to / size {
            if self.is_cut_due() {
                return Err(self.tear_and_switch_off(Step::Erase { sector }));
            }
            let response = self.image.erase(&self.geometry, sector);
            self.counts.erases += 1;
            self.time += self.timing.erase(size);
            self.complete(|_| Step::Erase { sector });
            if response.is_error() {
                return Err(PartError::Failed);
            }
        }
        Ok(())
    }

    /// Refuses a call because `from..to` is not aligned to the caller's own granule.
    pub(super) fn misaligned_call(&mut self, from: u32, to: u64, granule: u32) -> PartError {
        match self.begin_call() {
            Ok(()) => self.refuse_alignment(from, to, granule),
            Err(error) => error,
        }
    }

    fn refuse_alignment(&mut self, from: u32, to: u64, granule: u32) -> PartError {
        self.refuse(ContractViolation::Misaligned { from, to, granule })
    }

    /// Checks that the power is on and that the limit on calls is not used up, and counts the call.
    #[inline]
    fn begin_call(&mut self) -> Result<(), PartError> {
        if self.off {
            self.note_failed();
            return Err(PartError::PowerOff);
        }
        if self.calls >= self.fuel {
            self.note_failed();
            return Err(PartError::Fuel);
        }
        self.calls += 1;
        Ok(())
    }

    /// Counts a failed call. Code that repeats a failing call forever would never return, so it is
    /// stopped by a panic.
    ///
    /// # Panics
    /// After [`MOST_FAILED`] failed calls.
    #[cold]
    fn note_failed(&mut self) {
        self.failed = self.failed.saturating_add(1);
        // A destructor that runs during the panic must not turn it into an abort.
        if self.is_given_up() && !std::thread::panicking() {
            panic!(
                "{MOST_FAILED} flash calls failed in this power-up, and the code keeps making more"
            );
        }
    }

    /// Whether the code was stopped because too many of its calls failed.
    pub(crate) fn is_given_up(&self) -> bool {
        self.failed >= MOST_FAILED
    }

    fn refuse(&mut self, violation: ContractViolation) -> PartError {
        self.note_failed();
        self.violations.push(violation);
        PartError::Contract(violation)
    }

    fn refuse_range(&mut self, at: u32, len: usize) -> PartError {
        let to = u64::from(at).saturating_add(len as u64);
        self.refuse(ContractViolation::OutOfRange { from: at, to })
    }

    fn program_page(&mut self, at: u32, data: &[u8]) -> Result<(), PartError> {
        if self.image.programs().is_kept() {
            self.count_programs(at, data.len());
        }
        if self.is_cut_due() {
            return Err(self.tear_and_switch_off(Step::Program { at, data: data.to_vec() }));
        }
        let response = self.image.program(&self.geometry, at, data);
        self.counts.programs += 1;
        self.counts.programmed_bytes += data.len() as u64;
        self.time += self.timing.program(data.len());
        self.complete(|spare| {
            let mut kept = spare.pop().unwrap_or_default();
            kept.clear();
            kept.extend_from_slice(data);
            Step::Program { at, data: kept }
        });
        if response.is_error() { Err(PartError::Failed) } else { Ok(()) }
    }

    fn complete(&mut self, step: impl FnOnce(&mut Vec<Vec<u8>>) -> Step) {
        self.step += 1;
        if self.recording {
            self.trace.push(step(&mut self.spare));
        }
    }

    fn is_cut_due(&self) -> bool {
        self.cut.as_ref().is_some_and(|(step, _)| *step == self.step)
    }

    /// Tears `step` as planned and switches the power off.
    fn tear_and_switch_off(&mut self, step: Step) -> PartError {
        let tear = match self.cut.take() {
            Some((_, CutTear::Given(tear))) => tear,
            Some((_, CutTear::Drawn { level, mut rng })) => {
                Tear::draw(&self.geometry, level, &self.image, &step, &mut *rng)
            }
            None => Tear::NOTHING,
        };
        self.image.apply_torn(&self.geometry, &step, &tear);
        self.off = true;
        self.torn = Some((step, tear));
        PartError::PowerOff
    }
}

/// Copies all of `from`, which is as long as `to`. Most reads are of a few bytes. They are copied
/// as two halves that may overlap, or byte by byte, to avoid the call of a general copy routine.
#[inline]
fn copy(to: &mut [u8], from: &[u8]) {
    #[inline]
    fn halves<const N: usize>(to: &mut [u8], from: &[u8]) -> Option<()> {
        let (first, last) = (from.first_chunk::<N>()?, from.last_chunk::<N>()?);
        *to.first_chunk_mut()? = *first;
        *to.last_chunk_mut()? = *last;
        Some(())
    }
    let done = match from.len() {
        1..=3 => {
            to.iter_mut().zip(from).for_each(|(to, from)| *to = *from);
            Some(())
        }
        4..=8 => halves::<4>(to, from),
        9..=16 => halves::<8>(to, from),
        17..=32 => halves::<16>(to, from),
        33..=64 => halves::<32>(to, from),
        _ => None,
    };
    if done.is_none() {
        to.copy_from_slice(from);
    }
}
