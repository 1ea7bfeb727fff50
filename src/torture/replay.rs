//! `outlast replay`: runs the history of a token again.

use std::io::Write;
use std::path::PathBuf;

use clap::Args;
use clap::builder::NonEmptyStringValueParser;
use outlast_faultsim::history::Token;
use outlast_faultsim::report::{Outcome, Replay};
use outlast_faultsim::subjects::AnySubject;

use super::emit::{self, Source};
use super::identity::Identity;
use super::story::Story;
use super::{subject, text};
use crate::exit::{Exit, after_help};
use crate::output::Output;

const EXAMPLES: &str = "\
Examples:
  outlast replay cut2-vlqbzz...            a token that a torture run printed
  outlast replay --json cut2-vlqbzz...
  outlast replay --emit-test cut2-vlqbzz... > tests/lost_value.rs";

const EXIT_CODES: [(u8, &str); 3] = [
    (0, "passes now: nothing is wrong any more; with --emit-test: printed"),
    (1, "reproduced: the failure is still there"),
    (6, "diverged: the store no longer does what the token recorded"),
];

/// What was typed.
#[derive(Debug, Args)]
#[command(after_help = after_help(EXAMPLES, &EXIT_CODES))]
pub(crate) struct Typed {
    /// The token, as a torture run printed it
    #[arg(value_parser = NonEmptyStringValueParser::new())]
    token: String,
    /// Path of the program under test, if the token is for a store in a separate program
    #[arg(long, value_name = "PATH")]
    program: Option<PathBuf>,
    /// Print the source of a Rust test that fails as long as the failure reproduces
    #[arg(long, conflicts_with = "json")]
    emit_test: bool,
    /// Print one JSON object and nothing else on standard output
    #[arg(long)]
    json: bool,
}

/// What to run again, and how to print it.
pub(crate) struct Request {
    /// `None` if the store is not built in. A test can be printed all the same.
    pub(crate) subject: Option<&'static dyn AnySubject>,
    /// The path of the program under test, if the store is not built in.
    pub(crate) program: Option<PathBuf>,
    pub(crate) token: Token,
    pub(crate) form: Form,
}

/// How to print what happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Form {
    Text,
    Json,
    /// The source of a test.
    Test,
}

impl Typed {
    /// Checks the arguments.
    pub(crate) fn into_request(self) -> Result<Request, String> {
        let token: Token = self.token.parse().map_err(|why| format!("{why}"))?;
        let subject = match &self.program {
            Some(path) => {
                let subject = subject::program(path)?;
                let (here, wanted) = (subject.name(), &token.subject);
                if here != wanted {
                    return Err(format!(
                        "the token is for the store '{wanted}', but the program is '{here}'"
                    ));
                }
                Some(subject)
            }
            None if self.emit_test => subject::built_in(&token.subject, false).ok(),
            None => Some(subject::built_in(&token.subject, false).map_err(|_| {
                format!(
                    "the token is for the store '{}', which is not built into this command; it has \
                     {}. Give the path of a separate program with --program",
                    token.subject,
                    subject::names()
                )
            })?),
        };
        let form = match (self.json, self.emit_test) {
            (true, _) => Form::Json,
            (_, true) => Form::Test,
            _ => Form::Text,
        };
        let program = self.program;
        Ok(Request { subject, program, token, form })
    }
}

/// Runs it and prints what happened.
pub(crate) fn run<W: Write>(request: &Request, output: &mut Output<W>) -> anyhow::Result<Exit> {
    let token = &request.token;
    let replay = match request.subject {
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
    let source = match (&request.program, request.subject) {
        (Some(path), _) => Source::Program(path),
        (None, Some(_)) => Source::BuiltIn,
        (None, None) => Source::Own,
    };
    match request.form {
        Form::Json => output.json(&story)?,
        Form::Text => output.say(&text::story(&story))?,
        Form::Test => output.say(&emit::test(&story, source))?,
    }
    Ok(match (request.form, story.outcome) {
        // The test that was asked for has been printed.
        (Form::Test, Outcome::Reproduced) => Exit::Clean,
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
        let request = Request { subject: None, program: None, token, form: Form::Test };
        assert_eq!(run(&request, &mut Output::new(&mut text)).unwrap(), Exit::Clean);
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
            let request = Request {
                subject: Some(subject),
                program: None,
                token: token.clone(),
                form: Form::Text,
            };
            let exit = run(&request, &mut Output::new(&mut text)).unwrap();
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
