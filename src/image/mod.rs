//! `outlast image`: images made, read, changed, compared and mended.
//!
//! The library `outlast_image` decides; here files are read and written, and results become text
//! or JSON.

pub(crate) mod args;
mod build;
mod change;
mod files;
mod report;
mod show;

use std::io::Write;

use outlast_image::settings::Settings;
use outlast_image::survey::{Kind, Survey};
use outlast_image::words;

use self::args::{Dump, Task};
use crate::exit::Exit;
use crate::output::Output;

/// Why a command ended early: the exit class and what standard error says.
#[derive(Debug)]
struct Stop {
    exit: Exit,
    why: String,
}

impl Stop {
    fn new(exit: Exit, why: impl Into<String>) -> Self {
        Self { exit, why: why.into() }
    }
}

impl From<anyhow::Error> for Stop {
    fn from(error: anyhow::Error) -> Self {
        Self::new(Exit::Internal, format!("{error:#}"))
    }
}

/// Carries out an image command.
pub(crate) fn run<W: Write>(task: Task, output: &mut Output<W>) -> Exit {
    let done = match task {
        Task::Build(plan) => build::run(&plan, output),
        Task::Show { dump, json, html, history, raw, force } => {
            let view = show::View { json, html, history, raw, force };
            show::run(&dump, &view, output)
        }
        Task::Check { dump, json } => report::check(&dump, json, output),
        Task::Get { dump, key, kind, raw, json } => {
            change::get(&dump, &key, kind, &change::As { raw, json }, output)
        }
        Task::Put { dump, key, value, kind, output: file } => {
            change::put(&dump, &key, &value, kind, &file, output)
        }
        Task::Delete { dump, keys, output: file } => change::delete(&dump, &keys, &file, output),
        Task::Import { dump, settings, output: file } => {
            change::import(&dump, &settings, &file, output)
        }
        Task::Export { dump, output: file, format, force } => {
            change::export(&dump, file.as_deref(), format, force, output)
        }
        Task::Diff { first, second, json } => report::diff(&first, &second, json, output),
        Task::Salvage { dump, output: file, force, json } => {
            report::salvage(&dump, file.as_deref(), force, json, output)
        }
    };
    done.unwrap_or_else(|stop| {
        eprintln!("outlast: {}", stop.why);
        stop.exit
    })
}

/// The types of values, if a settings file tells them.
fn types(dump: &Dump) -> Result<Settings, Stop> {
    dump.types.as_deref().map_or_else(|| Ok(Settings::default()), files::settings)
}

/// What a dump holds, and what its file lacks.
fn survey(read: &files::Read) -> Result<Survey<'_>, Stop> {
    let region = outlast_image::check::region(read.region(), &read.place.shape);
    let region = region.ok_or_else(|| Stop::new(Exit::Usage, "no store can have this layout"))?;
    let mut survey = Survey::new(region);
    survey.add_flaws(&read.flaws);
    Ok(survey)
}

/// Says on standard error by what damage values may be older than they should be, or lost; of `key`,
/// if only that is asked for. Tells whether there is any. What the next mount mends is none.
fn warn_of_damage(read: &files::Read, survey: &Survey<'_>, key: Option<&[u8]>) -> bool {
    let mut damaged = false;
    for finding in &survey.findings {
        let concerns = match finding.kind {
            Kind::OldDamaged => false,
            Kind::LiveDamaged => key.is_none_or(|key| finding.keys.contains(&key)),
            kind => kind.is_damage(),
        };
        if concerns {
            eprintln!("outlast: {}: warning: {}", read.name, words::finding(survey, finding));
            damaged = true;
        }
    }
    damaged
}

/// `1 key`, `2 keys`.
fn counted(n: usize, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}
