//! The progress of a plan, for the progress bar.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use outlast_faultsim::run::Progress;

use super::schedule::Stage;
use crate::progress;
use crate::words::{clock, short};

/// Below this share of the work the estimate of the remaining time is not worth showing.
const LEAST_SHARE: f64 = 0.005;

/// The progress of each stage of a plan.
pub(crate) struct Meter {
    stages: Vec<(Progress, u32)>,
    shrinking: AtomicBool,
    stopped: AtomicBool,
}

/// What the meter shows at one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Reading {
    /// The share of the whole plan that is done, 0 to 1.
    share: f64,
    /// The number of the current stage, from 1.
    stage: usize,
    distinct: u64,
    violating: u64,
}

impl Meter {
    pub(crate) fn new(stages: &[Stage]) -> Self {
        let stages = stages.iter().map(|stage| (Progress::default(), stage.weight)).collect();
        Self { stages, shrinking: AtomicBool::new(false), stopped: AtomicBool::new(false) }
    }

    /// The progress counters of a stage.
    pub(crate) fn of(&self, stage: usize) -> Option<&Progress> {
        self.stages.get(stage).map(|(progress, _)| progress)
    }

    /// Makes the stages end soon with what they have.
    pub(crate) fn stop(&self) {
        self.stopped.store(true, Ordering::Relaxed);
        for (progress, _) in &self.stages {
            progress.stop.store(true, Ordering::Relaxed);
        }
    }

    /// Whether the run was asked to stop.
    pub(crate) fn is_stopped(&self) -> bool {
        self.stopped.load(Ordering::Relaxed)
    }

    /// From now on examples are shrunk.
    pub(crate) fn shrinking(&self) {
        self.shrinking.store(true, Ordering::Relaxed);
    }

    fn read(&self) -> Reading {
        let mut reading = Reading { share: 0.0, stage: 1, distinct: 0, violating: 0 };
        let weights: u32 = self.stages.iter().map(|(_, weight)| weight).sum();
        for (number, (progress, weight)) in (1..).zip(&self.stages) {
            let planned = progress.planned.load(Ordering::Relaxed);
            let done = progress.done.load(Ordering::Relaxed);
            if planned > 0 {
                reading.stage = number;
                let weight = f64::from(*weight) / f64::from(weights.max(1));
                reading.share += weight * (done.min(planned) as f64 / planned as f64);
            }
            reading.distinct += progress.distinct.load(Ordering::Relaxed);
            reading.violating += progress.violating.load(Ordering::Relaxed);
        }
        reading
    }

    fn message(&self, reading: &Reading, elapsed: Duration) -> String {
        if self.shrinking.load(Ordering::Relaxed) {
            return "shrinking the examples".to_owned();
        }
        let seconds = elapsed.as_secs_f64().max(0.001);
        let left = if reading.share < LEAST_SHARE {
            "-:--".to_owned()
        } else {
            let left = seconds * (1.0 - reading.share) / reading.share;
            clock(Duration::try_from_secs_f64(left).unwrap_or(Duration::MAX))
        };
        format!(
            "stage {}/{}: {} images, {}/s, {} failing, {left} left",
            reading.stage,
            self.stages.len(),
            short(reading.distinct),
            short((reading.distinct as f64 / seconds) as u64),
            short(reading.violating),
        )
    }

    /// Does `work` and shows the bar in the meantime, if standard error is a terminal.
    pub(crate) fn watch<T>(&self, work: impl FnOnce() -> T) -> T {
        let show = |elapsed| {
            let reading = self.read();
            (reading.share, self.message(&reading, elapsed))
        };
        progress::watch(show, work)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn meter() -> Meter {
        let progress = |planned, done, distinct| Progress {
            planned: u64::into(planned),
            done: u64::into(done),
            distinct: u64::into(distinct),
            ..Progress::default()
        };
        let stages = vec![(progress(10, 10, 4000), 30), (progress(200, 50, 2000), 70)];
        Meter { stages, shrinking: AtomicBool::new(false), stopped: AtomicBool::new(false) }
    }

    #[test]
    fn stages_count_by_their_weights() {
        let reading = meter().read();
        assert!((reading.share - 0.475).abs() < 1e-9, "{reading:?}");
        assert_eq!((reading.stage, reading.distinct), (2, 6000));
    }

    #[test]
    fn remaining_time_follows_from_the_share() {
        let meter = meter();
        let message = meter.message(&meter.read(), Duration::from_secs(19));
        assert_eq!(message, "stage 2/2: 6.0k images, 315/s, 0 failing, 0:21 left");
        meter.shrinking();
        assert_eq!(meter.message(&meter.read(), Duration::ZERO), "shrinking the examples");
    }
}
