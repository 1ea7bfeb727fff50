//! Decides where the log ends: which of the last records are whole.

use embedded_storage::nor_flash::NorFlash;

use super::held::Detail;
use super::walk::Walk;
use crate::format::record::Kind;
use crate::log::log_end::{LogEnd, Suspect};
use crate::log::state::Core;

impl<F: NorFlash> Core<F> {
    /// Decides about the last two records of a sector. Returns an address: records from there on
    /// must not be applied.
    // Outlined, so that a walk does not hold its frame.
    #[inline(never)]
    pub(crate) fn find_end(
        &mut self,
        walk: &Walk,
        sequence: u32,
        proven_end: u32,
        log_end: &mut LogEnd,
    ) -> u32 {
        let base = self.base(sequence);
        let (accepted, stop) = (walk.offset, walk.offset);
        *log_end = LogEnd { accepted, stop, suspect: None, carrier: None };
        let mut end = base + walk.offset;
        for held in [&walk.last, &walk.before] {
            let Some(found) = held.found else { break };
            if found.address < base + proven_end {
                break;
            }
            end = found.address;
            let batch = match &held.detail {
                Detail::Key { batch, .. } => *batch,
                Detail::Settle(settle) => {
                    log_end.accepted = settle.accepted;
                    log_end.suspect = settle.carried;
                    if log_end.suspect.is_some() {
                        log_end.carrier = Some(found);
                    }
                    break;
                }
            };
            log_end.accepted = found.address - base;
            let generation = self.generation(sequence);
            #[cfg(feature = "counters")]
            let whole = if found.header.kind() == Kind::Tally {
                self.medium.tally(found, generation, &mut [0; _]).is_some()
            } else {
                self.medium.whole(found, generation, &mut [])
            };
            #[cfg(not(feature = "counters"))]
            let whole = self.medium.whole(found, generation, &mut []);
            if whole {
                // Pending records count only with their commit, and a seal has done its work.
                if matches!(
                    found.header.kind(),
                    Kind::Tally | Kind::Put | Kind::Delete | Kind::Commit
                ) {
                    log_end.suspect = Some(Suspect::new(found, batch));
                }
                break;
            }
            // Torn: the log ends before it, and the record before it may be the suspect.
            log_end.stop = log_end.accepted;
        }
        end
    }
}
