//! Decides where the log ends.

use embedded_storage::nor_flash::NorFlash;

use super::held::Says;
use super::walk::Walk;
use crate::format::record::Kind;
use crate::log::log_end::{Suspect, Verdict};
use crate::log::state::Core;

impl<F: NorFlash> Core<F> {
    /// Decides about the last two records of a sector. Returns the address from which on they are
    /// not to be applied.
    #[inline(never)] // A walk should not hold its stack.
    pub(crate) fn judge(
        &mut self,
        walk: &Walk,
        sequence: u32,
        proven_end: u32,
        verdict: &mut Verdict,
    ) -> u32 {
        let base = self.base(sequence);
        let (accepted, stop) = (walk.offset, walk.offset);
        *verdict = Verdict { accepted, stop, suspect: None, carrier: None };
        let mut end = base + walk.offset;
        for held in [&walk.last, &walk.before] {
            let Some(found) = held.found else { break };
            if found.address < base + proven_end {
                break;
            }
            end = found.address;
            let batch = match &held.says {
                Says::Key { batch, .. } => *batch,
                Says::Settle(settle) => {
                    verdict.accepted = settle.accepted;
                    verdict.suspect = settle.cargo;
                    if verdict.suspect.is_some() {
                        verdict.carrier = Some(found);
                    }
                    break;
                }
            };
            verdict.accepted = found.address - base;
            let life = self.life(sequence);
            #[cfg(feature = "counters")]
            let whole = if found.header.kind() == Kind::Tally {
                self.medium.tally(found, life, &mut [0; _]).is_some()
            } else {
                self.medium.whole(found, life, &mut [])
            };
            #[cfg(not(feature = "counters"))]
            let whole = self.medium.whole(found, life, &mut []);
            if whole {
                // Pending records count only with their commit; a seal has done its work.
                if matches!(
                    found.header.kind(),
                    Kind::Tally | Kind::Put | Kind::Delete | Kind::Commit
                ) {
                    verdict.suspect = Some(Suspect::new(found, batch));
                }
                break;
            }
            // Torn: the log ends before it, and the record before it may be suspect.
            verdict.stop = verdict.accepted;
        }
        end
    }
}
