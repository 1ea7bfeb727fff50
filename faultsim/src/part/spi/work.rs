//! The work under way in the chip, and how it ends: by itself, or by a cut.

use super::bus_error::BusError;
use crate::part::{BusCut, Busy, Chip, CutTear, PartError, Step, Tear, Work};

/// Completes the work under way if its time is over.
pub(super) fn finish(chip: &mut Chip) -> Result<(), BusError> {
    let volatile = chip.volatile_mut();
    let is_over = volatile.busy.as_ref().is_some_and(|busy| busy.until_ns <= volatile.now_ns);
    let Some(busy) = volatile.busy.take_if(|_| is_over) else { return Ok(()) };
    volatile.latch = false;
    perform(chip, &busy.work).map_err(passed_on)
}

fn perform(chip: &mut Chip, work: &Work) -> Result<(), PartError> {
    match work {
        Work::Nothing => Ok(()),
        Work::Program(pieces) => {
            pieces.iter().try_for_each(|(at, data)| match chip.program(*at, data) {
                // A real chip does not refuse. The violation is recorded.
                // And it has no status for a failed operation.
                Err(PartError::Contract(_) | PartError::Failed) => Ok(()),
                result => result,
            })
        }
        Work::Erase { from, to } => match chip.erase(*from, *to) {
            Err(PartError::Contract(_) | PartError::Failed) => Ok(()),
            result => result,
        },
    }
}

/// How many of the next `moments` moments pass before a cut among them, if there is one.
pub(super) fn is_cut_within(chip: &Chip, moments: u64) -> Option<u64> {
    let volatile = chip.volatile();
    let (at, _) = volatile.cut.as_ref()?;
    at.checked_sub(volatile.moments).filter(|left| *left < moments)
}

/// Carries out the cut that is due. After a dip of the part's supply the code runs on.
pub(super) fn cut(chip: &mut Chip) -> Result<(), BusError> {
    match chip.volatile_mut().cut.take() {
        Some((_, BusCut::Power(tear))) => {
            tear_work(chip, tear);
            chip.switch_off();
        }
        Some((_, BusCut::Dip(tear))) => {
            dip(chip, tear);
            return Ok(());
        }
        Some((_, BusCut::Reset)) => chip.volatile_mut().is_reset = true,
        None => {}
    }
    Err(BusError::Ended)
}

/// Takes the supply away for a moment.
fn dip(chip: &mut Chip, tear: CutTear) {
    let geometry = chip.geometry();
    let busy = chip.volatile_mut().busy.take();
    let step = busy.and_then(|busy| steps(&busy.work, geometry.sector_bytes).into_iter().next());
    if let Some(step) = step {
        let tear = match tear {
            CutTear::Given(tear) => tear,
            CutTear::Drawn { level, mut rng } => {
                Tear::draw(&geometry, level, chip.image(), &step, &mut rng)
            }
        };
        chip.abort(&step, &tear);
    }
    let volatile = chip.volatile_mut();
    (volatile.latch, volatile.asleep, volatile.four_byte) = (false, false, false);
    volatile.protection = None;
}

/// Tears what the chip is busy with, because the power goes off.
fn tear_work(chip: &mut Chip, tear: CutTear) {
    let Some(busy) = chip.volatile_mut().busy.take() else { return };
    let count = steps(&busy.work, chip.geometry().sector_bytes).len() as u64;
    if count == 0 {
        return;
    }
    // Of several steps, those whose share of the time is over are complete.
    let Busy { from_ns, until_ns, .. } = busy;
    let now = chip.volatile().now_ns;
    let done = count * (now - from_ns) / (until_ns - from_ns).max(1);
    chip.cut_at(chip.step_count() + done.min(count - 1), tear);
    // This ends with the power off.
    let _ = perform(chip, &busy.work);
}

/// The steps of the part that make up the work.
pub(super) fn steps(work: &Work, sector_bytes: u32) -> Vec<Step> {
    match work {
        Work::Nothing => Vec::new(),
        Work::Program(pieces) => {
            pieces.iter().map(|(at, data)| Step::Program { at: *at, data: data.clone() }).collect()
        }
        Work::Erase { from, to } => {
            let size = sector_bytes.max(1);
            (from / size..to / size).map(|sector| Step::Erase { sector }).collect()
        }
    }
}

pub(super) fn passed_on(error: PartError) -> BusError {
    match error {
        PartError::PowerOff => BusError::Ended,
        other => BusError::Part(other),
    }
}
