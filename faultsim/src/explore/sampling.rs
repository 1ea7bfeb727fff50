//! How much further work a judged image is worth: whether it is written to after its recovery, and
//! whether further cuts are made in it.

use rapidhash::RapidHashSet;

use super::cache::RecoveryId;
use super::context::GROUPS_PER_SAMPLE;
use crate::check::judge::Wanted;
use crate::check::reading::BiasPick;
use crate::config::Systematic;
use crate::part::BadSector;

/// In a thrifty plan, one in this many of the images with a new kind of recovery is written to.
pub(crate) const NEW_FOLLOWED_ONE_IN: u64 = 4;
/// In a thrifty plan, one in this many of the images after a first cut with a new kind of recovery
/// has all of its part rewritten.
const REWRITTEN_ONE_IN: u64 = 256;

/// Groups of images that have a representative: by recovery, what it reported, obligations, reading
/// of marginal cells and number of cuts.
#[derive(Debug, Default)]
pub(crate) struct Groups(RapidHashSet<(RecoveryId, u32, u32, Circumstances, usize)>);

/// How the marginal cells are read, and what is bad.
type Circumstances = (BiasPick, Option<BadSector>);

/// What the decision about one image depends on, besides its recovery.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sample<'run> {
    pub(crate) plan: &'run Systematic,
    /// Number of what the image owes.
    pub(crate) owed: u32,
    pub(crate) pick: BiasPick,
    pub(crate) bad: Option<BadSector>,
    /// Cuts so far, and whether the plan has further ones.
    pub(crate) cuts: usize,
    pub(crate) may_be_cut: bool,
    /// The step of the first cut.
    pub(crate) first_step: u32,
    /// Whether it is written to in any case, as a fixed share of images is.
    pub(crate) is_followed: bool,
    /// A random number that thins out the images with a new kind of recovery in a thrifty plan.
    /// Elsewhere it is 0.
    pub(crate) roll: u64,
}

/// What is done with an image.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Decision {
    pub(crate) wanted: Wanted,
    /// No further cut is made in it, because another image represents it.
    pub(crate) represented: bool,
}

impl Groups {
    /// Decides about an image whose recovery and report have these numbers.
    pub(crate) fn decide(
        &mut self,
        sample: &Sample<'_>,
        recovery: RecoveryId,
        recovered: u32,
    ) -> Decision {
        let Sample { plan, owed, pick, bad, .. } = *sample;
        let Sample { cuts, may_be_cut, first_step, is_followed, roll, .. } = *sample;
        let new = self.0.insert((recovery, recovered, owed, (pick, bad), cuts));
        let every = plan.sample.max(1) as usize * if cuts == 1 { 1 } else { GROUPS_PER_SAMPLE };
        // A thrifty plan has many short histories. Few of them have as many kinds of recovery and
        // steps as a count would need, so there a draw decides.
        let sampled = if plan.thrifty {
            roll.is_multiple_of(every as u64)
        } else {
            (self.0.len() + first_step as usize).is_multiple_of(every)
        };
        let represented = may_be_cut && plan.group && !(new && sampled);
        let wanted = Wanted {
            trace: may_be_cut && !represented,
            rewrite_all: new && cuts == 1 && roll.is_multiple_of(REWRITTEN_ONE_IN),
            follow: new && roll.is_multiple_of(NEW_FOLLOWED_ONE_IN) || is_followed || !plan.group,
        };
        Decision { wanted, represented }
    }
}
