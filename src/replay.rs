//! Runs the history of a token again.

use std::io::Write;

use outlast_faultsim::device::{Geometry, Level};
use outlast_faultsim::finding::Breach;
use outlast_faultsim::subjects::AnySubject;
use outlast_faultsim::token::{Outcome, Token};
use serde::Serialize;

use crate::exit::Exit;
use crate::output::Output;
use crate::text;

/// What became of the history; as JSON what `--json` prints.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Story {
    /// Of this program.
    pub(crate) version: &'static str,
    pub(crate) token: String,
    pub(crate) subject: String,
    pub(crate) geometry: Geometry,
    pub(crate) level: Level,
    pub(crate) seed: u64,
    /// What was wrong when the token was made.
    pub(crate) breach: Breach,
    pub(crate) outcome: Outcome,
    /// What is wrong now, or why the history could not be followed; empty if nothing is wrong.
    pub(crate) sentence: String,
    /// One line each.
    pub(crate) operations: Vec<String>,
    /// One line per cut.
    pub(crate) cut_points: Vec<String>,
}

/// Runs it and prints what happened.
pub(crate) fn run<W: Write>(
    subject: &dyn AnySubject,
    token: &Token,
    json: bool,
    output: &mut Output<W>,
) -> anyhow::Result<Exit> {
    let replay = subject.replay(token);
    let story = Story {
        version: env!("CARGO_PKG_VERSION"),
        token: token.to_string(),
        subject: token.subject.clone(),
        geometry: token.geometry,
        level: token.level,
        seed: token.seed,
        breach: token.breach,
        outcome: replay.outcome,
        sentence: replay.sentence,
        operations: replay.operations,
        cut_points: replay.cut_points,
    };
    if json {
        output.json(&story)?;
    } else {
        output.say(&text::story(&story))?;
    }
    Ok(story.outcome.into())
}

#[cfg(test)]
mod tests {
    use outlast_faultsim::plan::{Config, Progress};
    use outlast_faultsim::subjects::naive::Naive;
    use outlast_faultsim::subjects::two_copies::TwoCopies;

    use super::*;

    #[test]
    fn other_code_does_not_reproduce() {
        let geometry = Geometry::new(2, 512, 1, 256).unwrap();
        let config = Config { minimise: None, ..Config::small(geometry, Level::F1) };
        let report = AnySubject::run(&Naive, &config, &Progress::default());
        let token: Token = report.violations[0].token.parse().unwrap();
        let ends = |subject: &dyn AnySubject| {
            let mut text = Vec::new();
            let exit = run(subject, &token, false, &mut Output::new(&mut text)).unwrap();
            (exit.code(), String::from_utf8(text).unwrap())
        };
        let (code, text) = ends(&Naive);
        assert_eq!(code, 1);
        assert!(text.contains("\nreplay: reproduced: "), "{text}");
        let (code, text) = ends(&TwoCopies);
        assert_eq!(code, 6);
        assert!(text.contains("\nreplay: diverged: "), "{text}");
    }
}
