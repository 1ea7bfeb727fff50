//! The command line: which command was called, and with which arguments.

use std::ffi::OsString;

use clap::error::ErrorKind;
use clap::{ColorChoice, Parser, Subcommand};

use crate::exit::after_help;
use crate::torture::{args as torture, merge, replay};
use crate::{bench, image, plan};

/// What the arguments ask for.
pub(crate) enum Task {
    /// Print this help or version.
    Say(String),
    /// Refuse the arguments for this reason.
    Refuse(String),
    /// Cut the power of a store, or prove the rig.
    Torture(torture::Request),
    /// Measure a store.
    Bench(Box<bench::args::Request>),
    /// Size a store for a product.
    Plan(Box<plan::input::Request>),
    /// Merge the results of shards.
    Merge(Box<merge::Request>),
    /// Replay a token.
    Replay(Box<replay::Request>),
    /// Work on images.
    Image(image::args::Task),
}

const EXAMPLES: &str = "\
Examples:
  outlast torture                      cut power at every step of a store
  outlast plan product.toml            how many sectors a product needs
  outlast image show dump.bin          what is in a dump
  outlast torture --help               options and exit codes of a command";

#[derive(Debug, Parser)]
#[command(
    name = "outlast",
    version,
    about = "Settings in NOR flash: power-cut tests, costs, lifetime and images",
    color = ColorChoice::Never,
    arg_required_else_help = true,
    after_help = after_help(EXAMPLES, &[(0, "done; each command lists its own exit codes")]),
    max_term_width = 100
)]
struct Typed {
    #[command(subcommand)]
    command: TypedCommand,
}

#[derive(Debug, Subcommand)]
enum TypedCommand {
    /// Cut power at every program and erase step and check what the store reports
    Torture(torture::Typed),
    /// Merge the results of separate shards
    Merge(merge::Typed),
    /// Replay a failure token
    Replay(replay::Typed),
    /// Measure write amplification, wear, time and energy against theory and simpler schemes
    Bench(bench::args::Typed),
    /// Size the store: sectors, lifetime, worst-case blocking time
    Plan(plan::args::Typed),
    /// Build, inspect, edit and salvage flash images
    Image(image::args::TypedImage),
}

/// Parses a command line, which begins with the name of the program.
pub(crate) fn parse(arguments: Vec<OsString>) -> Task {
    let typed = match Typed::try_parse_from(arguments) {
        Ok(typed) => typed,
        Err(error) => return said_by_parser(&error),
    };
    let task = match typed.command {
        TypedCommand::Torture(typed) => typed.into_request().map(Task::Torture),
        TypedCommand::Replay(typed) => {
            typed.into_request().map(|request| Task::Replay(Box::new(request)))
        }
        TypedCommand::Bench(typed) => {
            typed.into_request().map(|request| Task::Bench(Box::new(request)))
        }
        TypedCommand::Plan(typed) => {
            plan::input::request(typed).map(|request| Task::Plan(Box::new(request)))
        }
        TypedCommand::Merge(typed) => {
            typed.into_request().map(|request| Task::Merge(Box::new(request)))
        }
        TypedCommand::Image(typed) => Ok(Task::Image(typed.into_task())),
    };
    task.unwrap_or_else(|why| Task::Refuse(format!("{why}\n")))
}

fn said_by_parser(error: &clap::Error) -> Task {
    let text = error.render().to_string();
    match error.kind() {
        ErrorKind::DisplayHelp | ErrorKind::DisplayVersion => Task::Say(text),
        ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand => {
            Task::Refuse(format!("a command is needed\n\n{text}"))
        }
        _ => Task::Refuse(text.strip_prefix("error: ").unwrap_or(&text).to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory as _;

    #[test]
    fn the_parser_is_well_formed() {
        Typed::command().debug_assert();
    }

    /// Every command with its name, the subcommands of `image` included.
    fn commands() -> Vec<clap::Command> {
        let mut all = vec![Typed::command()];
        let mut at = 0;
        while let Some(command) = all.get(at) {
            let inner: Vec<clap::Command> = command.get_subcommands().cloned().collect();
            all.extend(inner);
            at += 1;
        }
        all
    }

    #[test]
    fn help_ends_with_examples_and_exit_codes_and_fits_80_columns() {
        for mut command in commands() {
            let name = command.get_name().to_owned();
            for width in [80, 100] {
                command = command.term_width(width);
                let help = command.render_long_help().to_string();
                let end = help.find("Examples:").unwrap_or_else(|| panic!("{name}: no examples"));
                assert!(help[end..].contains("\nExit codes:\n  0   "), "{name}: {help}");
                for line in help.lines() {
                    assert!(line.chars().count() <= width, "{name}: {line}");
                }
            }
            // Lines laid out by hand must not be broken again; paragraphs may be.
            let end = command.get_after_help().map(ToString::to_string).unwrap_or_default();
            for line in end.lines().filter(|line| line.starts_with(' ')) {
                assert!(line.chars().count() <= 80, "{name}: {line}");
            }
        }
    }

    /// The reason why a command line is refused.
    fn refused(line: &str) -> String {
        match parse(line.split(' ').map(OsString::from).collect()) {
            Task::Refuse(why) => why,
            _ => panic!("not refused: {line}"),
        }
    }

    #[test]
    fn refusals_say_what_to_do() {
        for (line, words) in [
            (
                "outlast torture --subject hope",
                "choose one of outlast, outlast-settings, two-copies, naive",
            ),
            ("outlast torture --sectors 1", "2 to 64"),
            ("outlast torture --sector-bytes 256", "512 to 131072"),
            ("outlast torture --sector-bytes 5000", "whole pages of 256 bytes"),
            ("outlast torture --sector-bytes 512 --page 512", "two or more whole pages"),
            ("outlast torture --sector-bytes 512", "at least four pages of 256 bytes"),
            ("outlast torture --sector-bytes 512 --unit 32", "at least four pages of 256 bytes"),
            ("outlast torture --unit 3", "1, 2, 4, 8, 16 or 32"),
            ("outlast torture --unit 32 --page 16", "from 32 (the program unit)"),
            ("outlast torture --page 300", "power of two"),
            ("outlast torture --sectors 64 --sector-bytes 131072", "must not exceed 1 MiB"),
            ("outlast torture --through spi --subject naive", "only for --subject outlast"),
            ("outlast torture --through spi --unit 4", "program single bytes"),
            ("outlast torture --through spi --sector-bytes 8192", "choose 512 or 4096"),
            ("outlast torture --through i2c", "possible values: array, spi"),
            ("outlast torture --level F6", "one of F0, F1, F2, F3, F4, F5, F7"),
            ("outlast torture --depth 0", "1 to 8"),
            ("outlast torture --deep 0", "at least one power cut"),
            ("outlast torture --deep 10 --depth 2", "cannot be used with"),
            ("outlast torture --edges 0", "1 to 3"),
            ("outlast torture --edges 2 --deep 9", "cannot be used with"),
            ("outlast torture --shard 1/2", "--edges"),
            ("outlast torture --edges 1 --shard 3/2", "like 2/8"),
            ("outlast merge no-such.json", "no-such.json: "),
            ("outlast torture --prove-rig --deep 9", "cannot be used with"),
            ("outlast torture --write-matrix x", "--prove-rig"),
            ("outlast torture --budget 5", "90s, 10m or 1h"),
            ("outlast torture --seed x", "give a whole number"),
            ("outlast torture --sectors 99999999999", "too large"),
            ("outlast replay cut2-", "damaged"),
            ("outlast replay hello", "begins with 'cut2-'"),
            ("outlast", "a command is needed"),
        ] {
            let why = refused(line);
            assert!(why.contains(words), "{line}: {why}");
        }
    }

    #[test]
    fn sizes_follow_unit_and_kind() {
        let geometry = |line: &str| match parse(line.split(' ').map(Into::into).collect()) {
            Task::Torture(torture::Request::Run { plan, .. }) => plan.geometry.to_string(),
            _ => panic!("refused: {line}"),
        };
        assert_eq!(geometry("outlast torture"), "4 x 4096 bytes, unit 1, page 256");
        assert_eq!(geometry("outlast torture --unit 8"), "4 x 4096 bytes, unit 8, page 8");
        assert_eq!(geometry("outlast torture --deep 9"), "4 x 1024 bytes, unit 1, page 256");
        assert_eq!(
            geometry("outlast torture --deep 9 --page 1024 --sectors 2"),
            "2 x 4096 bytes, unit 1, page 1024"
        );
    }
}
