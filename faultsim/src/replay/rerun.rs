//! Runs the history of a token again.

use crate::config::Systematic;
use crate::explore::context::Context;
use crate::explore::random;
use crate::explore::retell::{self, End};
use crate::history::token::{Kept, Origin, Token};
use crate::report::{Outcome, Replay, Violation};
use crate::subject::{Change, Op, Subject};
use crate::workload::Workload;

/// Runs the history of a token again.
pub fn replay<S: Subject>(token: &Token, subject: &S) -> Replay {
    match &token.origin {
        Origin::Random(choices) => random::replay(token, choices, subject),
        Origin::Systematic { source, kept, thin, path, bad, digest } => {
            let made_for = kept.as_ref().and_then(|kept| kept.made_for);
            let workload = source.build(&made_for.unwrap_or(token.geometry));
            let workload = shrunk(workload, kept.as_ref());
            let workload = match bad {
                Some(bad) => workload.explored_from(bad.from as usize),
                None => workload,
            };
            let depth = u32::try_from(path.cuts.len()).unwrap_or(u32::MAX);
            let plan =
                Systematic { workload: *source, depth, thin: *thin, ..Systematic::default() };
            let context = Context {
                subject,
                geometry: &token.geometry,
                level: token.level,
                seed: token.seed,
                plan: &plan,
                workload: &workload,
                bad: bad.and_then(|bad| bad.kind),
            };
            let mut replay = Replay {
                outcome: Outcome::Diverged,
                sentence: String::new(),
                operations: Vec::new(),
                cut_points: Vec::new(),
                scenes: Vec::new(),
            };
            let prepared = match context.prepare() {
                Ok(prepared) => prepared,
                Err(finding) if path.cuts.is_empty() && finding.breach == token.breach => {
                    (replay.outcome, replay.sentence) = (Outcome::Reproduced, finding.sentence);
                    replay.operations =
                        workload.all_ops().map(|op| op.describe(&workload.keys)).collect();
                    return replay;
                }
                Err(finding) => {
                    replay.sentence = format!("fails without any cut: {}", finding.sentence);
                    return replay;
                }
            };
            let retold = retell::retell(&context, &prepared, path);
            replay.operations = retold.operations;
            replay.cut_points = retold.cut_points;
            replay.scenes = retold.scenes;
            (replay.outcome, replay.sentence) = match retold.end {
                End::Astray(why) => (Outcome::Diverged, why),
                End::Finding(finding) if finding.breach == token.breach => {
                    (Outcome::Reproduced, finding.sentence)
                }
                End::Finding(finding) => (Outcome::Diverged, finding.sentence),
                End::Nothing if retold.digest == *digest => (Outcome::PassesNow, String::new()),
                End::Nothing => (
                    Outcome::Diverged,
                    "nothing is wrong, but the part holds different bytes".into(),
                ),
            };
            replay
        }
    }
}

/// The workload with only the operations kept, all of them explored.
pub(crate) fn shrunk(workload: Workload, kept: Option<&Kept>) -> Workload {
    let Some(Kept { ops, most_value, longer, .. }) = kept else { return workload };
    let all: Vec<_> = workload.all_ops().collect();
    let ops = ops.iter().filter_map(|&index| all.get(index as usize)).map(|op| (*op).clone());
    let mut ops: Vec<Op> = ops.collect();
    let resize = |key: u16, value: &mut Vec<u8>| {
        value.truncate(*most_value as usize);
        if let Some(longer) = longer.filter(|longer| longer.key == key) {
            let missing = (longer.bytes as usize).saturating_sub(value.len());
            let own = value.clone();
            value.extend(own.iter().cycle().take(missing));
        }
    };
    for op in &mut ops {
        match op {
            Op::Put { key, value } => resize(*key, value),
            Op::Batch(changes) => changes.iter_mut().for_each(|change| {
                if let Change::Put { key, value } = change {
                    resize(*key, value);
                }
            }),
            _ => {}
        }
    }
    Workload { ops, prelude: Vec::new(), ..workload }
}

impl Violation {
    /// Takes over the words and the token of a smaller history.
    pub(crate) fn becomes(&mut self, token: &Token, replay: Replay, cuts: u32) {
        self.level = token.level;
        self.sentence = replay.sentence;
        self.operations = replay.operations;
        self.cut_points = replay.cut_points;
        self.scenes = replay.scenes;
        self.cuts = cuts;
        self.token = token.to_string();
        self.shrunk = true;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::history::token::Longer;
    use crate::part::Geometry;
    use crate::workload::source::WorkloadSource;

    #[test]
    fn values_of_one_setting_are_made_longer_and_others_shorter() {
        let geometry = Geometry::new(4, 4096, 1, 256).unwrap();
        let workload = || WorkloadSource::TideGauge.build(&geometry);
        let whole: Vec<Op> = workload().all_ops().cloned().collect();
        let ops = (0..).take(whole.len()).collect();
        let longer = Some(Longer { key: 3, bytes: 300 });
        let kept = Kept { ops, most_value: 5, made_for: None, longer };
        let made = shrunk(workload(), Some(&kept)).ops;
        let mut seen = [0, 0];
        for (made, whole) in made.iter().zip(&whole) {
            if let (Op::Put { key, value }, Op::Put { value: whole, .. }) = (made, whole) {
                let least = if *key == 3 && !whole.is_empty() { 300 } else { 0 };
                assert_eq!(value.len(), whole.len().min(5).max(least));
                assert!(value.starts_with(&whole[..whole.len().min(5)]));
                seen[usize::from(*key == 3)] += 1;
            }
        }
        assert!(seen.iter().all(|count| *count > 0), "{seen:?}");
        assert!(!Longer { key: 3, bytes: u32::MAX }.is_possible(1));
    }
}
