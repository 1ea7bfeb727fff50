//! The three outcomes of a replay: on the same store, on a store that is fixed but makes the same
//! writes, and on a store that makes other writes.

use std::sync::atomic::{AtomicU8, Ordering};

use outlast_faultsim::config::Config;
use outlast_faultsim::history::Token;
use outlast_faultsim::part::{Geometry, Level, Part};
use outlast_faultsim::replay::replay;
use outlast_faultsim::report::Outcome;
use outlast_faultsim::run::{Progress, run};
use outlast_faultsim::subject::{KeyNames, Op, Subject, Trouble};
use outlast_faultsim::subjects::two_copies::{TwoCopies, TwoCopiesStore};

/// Two copies that forget everything when they open and one of them is blank, as a cut between
/// erase and program leaves it. They can be fixed, or write each change twice.
struct Forgetful(AtomicU8);

const FORGETS: u8 = 0;
const FIXED: u8 = 1;
const WRITES_TWICE: u8 = 2;

struct Running {
    store: TwoCopiesStore,
    forgets: bool,
}

impl Subject for Forgetful {
    type Store = Running;

    fn name(&self) -> &'static str {
        "forgetful"
    }

    fn open(&self, part: &Part) -> Result<Running, Trouble> {
        let mut store = TwoCopies.open(part)?;
        let mut settings = 0;
        let _ = TwoCopies.list(&mut store, &mut |_| settings += 1);
        let chip = part.chip();
        let blank = |copy: &[u8]| copy.iter().all(|byte| *byte == 0xFF);
        let beside_blank = chip.image().bytes().chunks(512).any(blank) && settings > 3;
        let forgets = beside_blank && self.0.load(Ordering::Relaxed) != FIXED;
        Ok(Running { store, forgets })
    }

    fn apply(&self, running: &mut Running, op: &Op, keys: &KeyNames) -> Result<(), Trouble> {
        if let (WRITES_TWICE, Op::Put { key, value }) = (self.0.load(Ordering::Relaxed), op) {
            let longer = Op::Put { key: *key, value: [&value[..], b"!"].concat() };
            TwoCopies.apply(&mut running.store, &longer, keys)?;
        }
        TwoCopies.apply(&mut running.store, op, keys)
    }

    fn get(&self, running: &mut Running, key: &str, out: &mut Vec<u8>) -> Result<bool, Trouble> {
        Ok(TwoCopies.get(&mut running.store, key, out)? && !running.forgets)
    }
}

#[test]
fn a_replay_has_three_outcomes() {
    let subject = Forgetful(AtomicU8::new(FORGETS));
    let geometry = Geometry::new(2, 512, 1, 256).expect("a part");
    let report = run(&Config::small(geometry, Level::F0), &subject, &Progress::default());
    assert!(!report.violations.is_empty(), "{report:#?}");
    for violation in &report.violations {
        let token: Token = violation.token.parse().expect("a token");
        let again = |what| {
            subject.0.store(what, Ordering::Relaxed);
            replay(&token, &subject)
        };
        let same = again(FORGETS);
        assert_eq!(same.outcome, Outcome::Reproduced, "{same:#?}");
        assert_eq!(same.sentence, violation.sentence);
        let fixed = again(FIXED);
        assert_eq!((fixed.outcome, fixed.sentence.as_str()), (Outcome::PassesNow, ""));
        assert_eq!(fixed.cut_points, same.cut_points);
        let other = again(WRITES_TWICE);
        assert_eq!(other.outcome, Outcome::Diverged, "{other:#?}");
        assert!(!other.sentence.is_empty());
    }
}
