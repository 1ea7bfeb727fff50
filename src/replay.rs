//! Runs the history of a token again.

use std::io::Write;
use std::path::PathBuf;

use outlast_faultsim::check::finding::Breach;
use outlast_faultsim::history::Token;
use outlast_faultsim::report::scene::Scene;
use outlast_faultsim::report::{Outcome, Replay};
use outlast_faultsim::subjects::AnySubject;
use serde::Serialize;

use crate::emit::{self, Source};
use crate::exit::Exit;
use crate::identity::Identity;
use crate::output::Output;
use crate::text;

/// What became of the history; as JSON what `--json` prints.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Story {
    #[serde(flatten)]
    pub(crate) identity: Identity,
    pub(crate) token: String,
    /// What was wrong when the token was made.
    pub(crate) breach: Breach,
    pub(crate) outcome: Outcome,
    /// What is wrong now, or why the history could not be followed; empty if nothing is wrong.
    pub(crate) sentence: String,
    /// One line each.
    pub(crate) operations: Vec<String>,
    /// One line per cut.
    pub(crate) cut_points: Vec<String>,
    /// The last cuts as pictures, and the part when something was found wrong.
    pub(crate) scenes: Vec<Scene>,
}

/// What is to be run again, and how to tell it.
pub(crate) struct Task {
    /// None if this command does not have it: then a test can be printed all the same.
    pub(crate) subject: Option<&'static dyn AnySubject>,
    /// Where the storage code lives, if it is not built in.
    pub(crate) program: Option<PathBuf>,
    pub(crate) token: Token,
    pub(crate) telling: Telling,
}

/// How to tell what happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Telling {
    Text,
    Json,
    /// The source of a test.
    Test,
}

/// Runs it and prints what happened.
pub(crate) fn run<W: Write>(task: &Task, output: &mut Output<W>) -> anyhow::Result<Exit> {
    let token = &task.token;
    let replay = match task.subject {
        Some(subject) => subject.replay(token),
        None => Replay {
            outcome: Outcome::Reproduced,
            sentence: String::new(),
            operations: Vec::new(),
            cut_points: Vec::new(),
            scenes: Vec::new(),
        },
    };
    let story = Story {
        identity: Identity::new(&token.subject, token.geometry, token.level, token.seed),
        token: token.to_string(),
        breach: token.breach,
        outcome: replay.outcome,
        sentence: replay.sentence,
        operations: replay.operations,
        cut_points: replay.cut_points,
        scenes: replay.scenes,
    };
    let source = match (&task.program, task.subject) {
        (Some(path), _) => Source::Program(path),
        (None, Some(_)) => Source::BuiltIn,
        (None, None) => Source::Own,
    };
    match task.telling {
        Telling::Json => output.json(&story)?,
        Telling::Text => output.say(&text::story(&story))?,
        Telling::Test => output.say(&emit::test(&story, source))?,
    }
    Ok(match (task.telling, story.outcome) {
        // The test was asked for, and here it is.
        (Telling::Test, Outcome::Reproduced) => Exit::Clean,
        (_, outcome) => outcome.into(),
    })
}

#[cfg(test)]
mod tests {
    use outlast_faultsim::config::Config;
    use outlast_faultsim::part::{Geometry, Level};
    use outlast_faultsim::run::Progress;
    use outlast_faultsim::subjects::naive::Naive;
    use outlast_faultsim::subjects::two_copies::TwoCopies;

    use super::*;

    #[test]
    fn a_test_for_code_that_is_not_here_is_printed() {
        let geometry = Geometry::new(2, 512, 1, 256).unwrap();
        let config = Config { shrink: None, ..Config::small(geometry, Level::F1) };
        let report = AnySubject::run(&Naive, &config, &Progress::default());
        let mut token: Token = report.violations[0].token.parse().unwrap();
        token.subject = "ring".to_owned();
        let mut text = Vec::new();
        let task = Task { subject: None, program: None, token, telling: Telling::Test };
        assert_eq!(run(&task, &mut Output::new(&mut text)).unwrap(), Exit::Clean);
        let text = String::from_utf8(text).unwrap();
        assert!(
            text.contains("// Put your own `Subject` here") && text.contains("fn ring_"),
            "{text}"
        );
    }

    #[test]
    fn other_code_does_not_reproduce() {
        let geometry = Geometry::new(2, 512, 1, 256).unwrap();
        let config = Config { shrink: None, ..Config::small(geometry, Level::F1) };
        let report = AnySubject::run(&Naive, &config, &Progress::default());
        let token: Token = report.violations[0].token.parse().unwrap();
        let ends = |subject: &'static dyn AnySubject| {
            let mut text = Vec::new();
            let task = Task {
                subject: Some(subject),
                program: None,
                token: token.clone(),
                telling: Telling::Text,
            };
            let exit = run(&task, &mut Output::new(&mut text)).unwrap();
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
