//! A bus that reads one bit wrong once, or fails for a moment.
//!
//! Goal: with a healthy flash nothing that was acknowledged is lost for good, whatever call the
//! fault falls into, and no call takes a wrong value for a right one. Method: each call is made on
//! the images of healthy lives, with the fault in one of its reads; then the fault is gone, and two
//! fresh mounts must show every acknowledged value.
//!
//! `OUTLAST_MISREADS`: how many wrong bits at least are tried in each call on each image, e.g.
//! 1000000 for all of them.

use rand::SeedableRng as _;
use rand::rngs::ChaCha8Rng;

use crate::count::{count, summary};
use crate::flash::{Image, Ram, ReadFault};
use crate::history::{Healthy, Plan, healthy, plan};
use crate::life::{COUNTERS, Life, Op, Past, Values, value};
use crate::outcome::{Answers, Known, Outcome, Score};
use crate::shape::{Shape, with_shapes};

/// Calls that a read fault falls into.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Call {
    Mount,
    ReadAll,
    Put,
    Delete,
    Commit,
    /// A put that compacts.
    Compaction,
    /// A tidy that compacts.
    Tidy,
    Tick,
    NextId,
}

const CALLS: [Call; 9] = [
    Call::Mount,
    Call::ReadAll,
    Call::Put,
    Call::Delete,
    Call::Commit,
    Call::Compaction,
    Call::Tidy,
    Call::Tick,
    Call::NextId,
];

const PLANS: [&str; 6] =
    ["power-ups", "long values", "counters", "one power cycle", "turned", "all, rested"];

/// A call on an image, and the lengths of the reads that it makes there.
struct Case {
    name: String,
    image: Image,
    now: Values,
    past: Past,
    /// Puts of the same power-up that come first.
    before: Vec<Op>,
    /// None reads everything.
    op: Option<Op>,
    reads: Vec<usize>,
}

impl Call {
    /// The step that makes this call; none to read everything.
    fn op(self, rng: &mut ChaCha8Rng, shape: Shape) -> Option<Op> {
        let mut new = || value(rng, shape);
        Some(match self {
            Self::Mount => Op::PowerUp,
            Self::ReadAll => return None,
            Self::Put | Self::Compaction => Op::Put(1, new()),
            Self::Delete => Op::Delete(3),
            Self::Commit => Op::Commit(vec![(0, Some(new())), (2, None), (4, Some(new()))]),
            Self::Tidy => Op::Tidy,
            Self::Tick => Op::Tick(COUNTERS[0]),
            Self::NextId => Op::NextId,
        })
    }
}

/// The lengths of the reads that a call makes after some puts. None if it is to compact, and
/// does not.
fn reads_of(call: Call, start: &Healthy, before: &[Op], op: Option<&Op>) -> Option<Vec<usize>> {
    let ram = Ram::new(start.image.shape);
    let mut life = start.resume(&ram);
    life.live(&Op::PowerUp);
    before.iter().for_each(|put| life.live(put));
    let compactions = life.session().compactions();
    ram.note_reads();
    match op {
        Some(op) => life.live(op),
        None => drop(Answers::of(life.session())),
    }
    let compacted = life.session().compactions() > compactions;
    (compacted || !matches!(call, Call::Compaction | Call::Tidy)).then(|| ram.noted_reads())
}

impl Case {
    /// On the image of a healthy life, or on one that this life comes to later, if the call would
    /// not yet do what it stands for. None if it never does.
    fn new(call: Call, shape: Shape, plan: &Plan) -> Option<Self> {
        let mut rng = ChaCha8Rng::seed_from_u64(call as u64);
        let mut start = healthy(shape, plan, 2);
        for _ in 0..500 {
            let op = call.op(&mut rng, shape);
            let puts: Vec<_> = (0..4).map(|key| Op::Put(key, value(&mut rng, shape))).collect();
            for first in 0..=puts.len() {
                let before = puts[..first].to_vec();
                if let Some(reads) = reads_of(call, &start, &before, op.as_ref()) {
                    let name = format!("{call:?}, {shape:?}, {}", plan.name);
                    let Healthy { image, now, past, .. } = start;
                    return Some(Self { name, image, now, past, before, op, reads });
                }
            }
            let ram = Ram::new(shape);
            let mut life = start.resume(&ram);
            life.live(&Op::PowerUp);
            puts[..3].iter().for_each(|put| life.live(put));
            start = Healthy::of(&life);
        }
        None
    }

    /// Makes the call with the fault in it. With `delete`, a put is followed by a delete, and the
    /// next mounts by another change.
    fn run(&self, ram: &Ram, fault: ReadFault, delete: bool) -> Outcome {
        ram.restore(&self.image);
        let mut life = Life::resume(ram, &self.now, &self.past);
        if self.op != Some(Op::PowerUp) {
            life.power_up().expect("a healthy flash");
            self.before.iter().for_each(|put| life.live(put));
        }
        let now = life.now.clone();
        ram.set_read_fault(Some(fault));
        let Some(op) = &self.op else { return self.read_all(life) };
        let after = life.after(op);
        let result = life.apply(op);
        ram.set_read_fault(None);
        let (mut right, mut seen) = (vec![now, after], Outcome::Right);
        if result.is_ok() {
            right.remove(0);
            seen = self.in_session(&mut life);
            if let (Op::Put(key, _), true) = (op, delete) {
                let gone = life.apply(&Op::Delete(*key));
                if gone.is_ok() {
                    right.clear();
                    seen = seen.max(self.in_session(&mut life));
                }
                let mut without = life.now.clone();
                without[*key] = None;
                right.push(without);
            }
        }
        let misled = if life.wrong_answers > 0 { Outcome::Misled } else { Outcome::Right };
        let past = life.past.clone();
        drop(life);
        let right: Vec<_> = right.iter().collect();
        let known = Known { right: &right, excepted: &[], past: &past };
        known.judge(ram, delete).max(misled).max(seen)
    }

    /// What an open store says after the fault. It may report damage, but not hide it.
    fn in_session(&self, life: &mut Life<'_>) -> Outcome {
        let answers = Answers::of(life.session());
        let known = Known { right: &[&life.now], excepted: &[], past: &life.past };
        honest(known.class(&answers))
    }

    /// Errors are honest answers while the bus is faulty. Afterwards all must be right.
    fn read_all(&self, mut life: Life<'_>) -> Outcome {
        let answers = Answers::of(life.session());
        let known = Known { right: &[&life.now], excepted: &[], past: &self.past };
        life.ram.set_read_fault(None);
        honest(known.class(&answers)).max(known.judge(life.ram, false))
    }

    fn misreads(&self, least: usize) -> Score {
        let bits = self.reads.iter().enumerate();
        let bits = bits.flat_map(|(call, len)| (0..len * 8).map(move |bit| (call as u64, bit)));
        let bits: Vec<_> = bits.collect();
        let step = (bits.len() / least).max(1) | 1;
        let (ram, mut score) = (Ram::of(&self.image), Score::default());
        for (n, (call, bit)) in bits.into_iter().step_by(step).enumerate() {
            let outcome = self.run(&ram, ReadFault::Wrong { call, bit }, n % 2 == 1);
            score.note(outcome, || format!("{outcome:?}: {}, read {call}, bit {bit}", self.name));
        }
        score
    }

    /// With the fault in a read that never comes.
    fn without_fault(&self) -> Score {
        let (ram, mut score) = (Ram::of(&self.image), Score::default());
        for delete in [false, true] {
            let outcome = self.run(&ram, ReadFault::Wrong { call: 1 << 40, bit: 0 }, delete);
            score.note(outcome, || format!("{outcome:?}: {}", self.name));
        }
        score
    }

    fn failures(&self) -> Score {
        let (ram, mut score) = (Ram::of(&self.image), Score::default());
        for from in 0..self.reads.len() as u64 {
            for calls in 1..=5 {
                let fault = ReadFault::Fails { from, to: from + calls };
                let outcome = self.run(&ram, fault, (from + calls) % 2 == 1);
                score.note(outcome, || {
                    format!("{outcome:?}: {}, {calls} reads from {from} fail", self.name)
                });
            }
        }
        score
    }
}

fn honest(outcome: Outcome) -> Outcome {
    if outcome <= Outcome::Lost { Outcome::Right } else { outcome }
}

/// Judges every call on every image.
fn judge_calls(name: &str, judge: impl Fn(&Case) -> Score + Send + Sync) {
    let mut total = Score::default();
    for call in CALLS {
        let pairs = with_shapes(PLANS);
        let cases = pairs.iter().filter_map(|(name, shape)| Case::new(call, *shape, plan(name)));
        let cases: Vec<_> = cases.collect();
        // In a small store, a mount, or a spare that was erased early, may leave a put or `tidy` nothing to do.
        assert!(4 * cases.len() >= pairs.len(), "{call:?}: {} cases", cases.len());
        let score = Score::of(&cases, &judge);
        summary(format_args!("{name}: {call:?}"), &score);
        total = total.plus(score);
    }
    summary(name, &total);
    total.assert_none_worse_than(Outcome::Right);
}

#[test]
fn no_wrong_bit_in_a_read_destroys_anything() {
    let least = count("OUTLAST_MISREADS", 500) as usize;
    judge_calls("one wrong bit in a read", |case| case.misreads(least));
}

#[test]
fn no_burst_of_failing_reads_destroys_anything() {
    judge_calls("one to five failing reads", Case::failures);
}

/// Without this the tests above could not tell a fault from a mistake of their own.
#[test]
fn calls_without_a_fault_are_right() {
    judge_calls("no bad read", Case::without_fault);
}
