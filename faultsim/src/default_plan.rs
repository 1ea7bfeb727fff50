//! The plan of `outlast torture` without further options, for your own storage code.

use crate::config::{BadSectors, Config, Mode, RandomLives, Systematic};
use crate::part::{Geometry, Level};
use crate::workload::source::WorkloadSource;

// The sizes: for a 4 x 4 KiB part, together with the smaller one of the random lives, more than a
// million distinct images in well under a minute on two cores.

/// One in this many tears of a step is tried, besides the representatives of each class.
const THIN: u32 = 16;
/// After a first cut, further cuts are made in one of this many kinds of recovery.
const SAMPLE: u32 = 40;
/// Operations of the random workload.
const RANDOM_OPS: u32 = 40;
/// Operations of the workload that fills the part up, with one cut per history.
const FULL_OPS: u32 = 8;
/// With pages of fewer bytes than this, programs take several steps.
const SMALL_PAGE: u32 = 64;
/// Operations of the workload in which sectors go bad, and of these how many are cut afterwards.
const BAD_OPS: u32 = 10;
const BAD_OPS_CUT: u32 = 3;
/// The same in a plan that is about something else.
const FEW_BAD_OPS: u32 = 5;
const FEW_BAD_OPS_CUT: u32 = 2;
/// With a bad sector, further cuts are made in one of this many kinds of recovery.
const BAD_SAMPLE: u32 = 8;
/// The numbers of sectors that are tried with a bad one.
const BAD_SECTORS: [u32; 4] = [3, 4, 5, 2];
/// Of the cuts in random lives, one in this many is made with bad sectors.
const BAD_SHARE: u64 = 10;
/// Power-ups per random life.
const POWER_UPS: u32 = 300;
/// Most consecutive recoveries that are cut in a random life. A store that uses up space at every
/// mount runs out of it if no recovery is ever spared; `not_explored` names the limit.
const RECOVERIES_IN_A_ROW: u32 = 8;
/// With fewer cuts per history asked for, the plan has no random lives, which have hundreds.
const LIVES_FROM_DEPTH: u32 = 3;

/// The parameters that the stages of the usual plan are made from.
///
/// ```
/// use outlast_faultsim::default_plan::Usual;
/// use outlast_faultsim::part::{Geometry, Level};
/// use outlast_faultsim::report::Verdict;
/// use outlast_faultsim::run::{Progress, run};
/// use outlast_faultsim::subjects::two_copies::TwoCopies;
///
/// let usual = Usual { depth: 1, ..Usual::new(Geometry::new(2, 512, 1, 256)?, Level::F0) };
/// for config in usual.stages() {
///     let report = run(&config, &TwoCopies, &Progress::default());
///     assert_eq!(report.verdict, Verdict::Clean, "{:#?}", report.violations);
/// }
/// # Ok::<(), outlast_faultsim::part::GeometryError>(())
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Usual {
    /// Sizes of the part; the random lives have smaller sectors.
    pub geometry: Geometry,
    /// The fault level: how severe the simulated damage is.
    pub level: Level,
    /// Seed of everything drawn at random.
    pub seed: u64,
    /// Most cuts in one history of the systematic stages. Below [`Usual::DEPTH`] there are no
    /// random lives.
    pub depth: u32,
    /// Cuts in all random lives. A hundredth is enough for code that takes a hundred times as long.
    pub random_cuts: u64,
    /// See [`crate::subject::Subject::has_counters`].
    pub has_counters: bool,
    /// See [`crate::subject::Subject::is_on_bus`]. Then no sector goes bad below F7: the serial chip
    /// has no status for a failed operation, so the code cannot know of one that failed when it was
    /// done.
    pub is_on_bus: bool,
}

impl Usual {
    /// Cuts per history of the systematic stages.
    pub const DEPTH: u32 = LIVES_FROM_DEPTH;
    /// Cuts in all random lives.
    pub const RANDOM_CUTS: u64 = 1_250_000;
    /// The same for code in a separate program, which costs a hundred times as much.
    pub const RANDOM_CUTS_OF_A_PROGRAM: u64 = 20_000;

    /// The parameters of `outlast torture`.
    pub const fn new(geometry: Geometry, level: Level) -> Self {
        Self {
            geometry,
            level,
            seed: 1,
            depth: Self::DEPTH,
            random_cuts: Self::RANDOM_CUTS,
            has_counters: false,
            is_on_bus: false,
        }
    }

    /// What to run at F7: every erase makes its sector bad, on parts with three, four, five and two
    /// sectors; and random lives with bad sectors.
    ///
    /// Below that, in this order: every step of the life of a tide gauge and of a random workload,
    /// random lives, and a part that fills up. With counters, every step of a random workload that
    /// includes them, and random lives. On small pages there is no tide gauge. From F4 on, a few
    /// operations with bad sectors follow.
    pub fn stages(&self) -> Vec<Config> {
        if self.level >= Level::F7 {
            return self.bad_stages();
        }
        let Self { geometry, seed, depth, has_counters, .. } = *self;
        let systematic = |workload, depth| {
            let mode =
                Systematic { workload, depth, thin: THIN, sample: SAMPLE, ..Systematic::default() };
            self.stage(Mode::Systematic(mode))
        };
        let random = |ops| WorkloadSource::Random { seed, ops };
        // A program of many small pages has many steps; there, fewer operations are enough.
        let small_page = geometry.page < SMALL_PAGE;
        let mut stages = if has_counters {
            let ops = if small_page { RANDOM_OPS / 4 } else { 2 * RANDOM_OPS };
            vec![systematic(WorkloadSource::Counters { seed, ops }, depth)]
        } else if small_page {
            vec![systematic(random(RANDOM_OPS / 4), depth)]
        } else {
            vec![
                systematic(WorkloadSource::TideGauge, depth),
                systematic(random(RANDOM_OPS), depth),
            ]
        };
        if depth >= LIVES_FROM_DEPTH {
            stages.push(self.on_small_sectors(lives(self.random_cuts)));
        }
        // This is the last stage, since code that fails in it without any cut ends the plan.
        if !has_counters {
            let ops = if small_page { FULL_OPS / 4 } else { FULL_OPS };
            stages.push(systematic(WorkloadSource::Full { seed, ops }, 1));
        }
        // Code in a separate program takes too long for it.
        let is_fast = self.random_cuts >= Self::RANDOM_CUTS;
        if self.level >= Level::F4 && geometry.sectors > 2 && is_fast && !self.is_on_bus {
            let few = (FEW_BAD_OPS, FEW_BAD_OPS_CUT);
            stages.push(self.bad_sectors(geometry.sectors, few, 1));
        }
        stages
    }

    /// The stages with bad sectors, for each number of sectors and for random lives.
    fn bad_stages(&self) -> Vec<Config> {
        let is_fast = self.random_cuts >= Self::RANDOM_CUTS;
        let ops = if is_fast { (BAD_OPS, BAD_OPS_CUT) } else { (FEW_BAD_OPS, 1) };
        let depth = self.depth.min(if is_fast { 2 } else { 1 });
        let parts = BAD_SECTORS.into_iter();
        let mut stages: Vec<Config> =
            parts.map(|sectors| self.bad_sectors(sectors, ops, depth)).collect();
        if self.depth >= LIVES_FROM_DEPTH {
            stages.push(self.on_small_sectors(lives(self.random_cuts / BAD_SHARE)));
        }
        stages
    }

    /// Sectors of four pages, so that a few operations come to all of them.
    fn bad_sectors(&self, sectors: u32, (ops, operations): (u32, u32), depth: u32) -> Config {
        let unit = self.geometry.unit;
        // With large units, what is not for records takes more room.
        let page = match unit {
            0..=4 => 128,
            5..=16 => 256,
            _ => 512,
        };
        let geometry = Geometry::new(sectors, 4 * page, unit, page);
        let workload = WorkloadSource::Rotation { seed: self.seed, ops };
        let (thin, sample) = (THIN, BAD_SAMPLE);
        let cuts = Systematic { workload, depth, thin, sample, ..Systematic::default() };
        let config = self.stage(Mode::BadSectors(BadSectors { cuts, operations }));
        Config { geometry: geometry.unwrap_or(self.geometry), level: Level::F7, ..config }
    }

    /// On small sectors a random life soon meets every kind of step.
    fn on_small_sectors(&self, mode: Mode) -> Config {
        let Geometry { sectors, sector_bytes, unit, page } = self.geometry;
        let small = match unit {
            0..=4 => 512,
            5..=16 => 1024,
            _ => 4096,
        };
        // Counters take more room than other settings.
        let small = if self.has_counters { 2 * small } else { small };
        let geometry = Geometry::new(sectors, sector_bytes.min(small), unit, page.min(64));
        Config { geometry: geometry.unwrap_or(self.geometry), ..self.stage(mode) }
    }

    fn stage(&self, mode: Mode) -> Config {
        let Self { geometry, level, seed, .. } = *self;
        Config { seed, shrink: None, mode, ..Config::systematic(geometry, level) }
    }
}

/// Random lives with at least this many cuts in all; each power-up ends in one.
pub fn lives(cuts: u64) -> Mode {
    let runs = cuts.div_ceil(u64::from(POWER_UPS));
    let recoveries_cut_in_a_row = RECOVERIES_IN_A_ROW;
    Mode::Random(RandomLives { runs, power_ups: POWER_UPS, recoveries_cut_in_a_row })
}
