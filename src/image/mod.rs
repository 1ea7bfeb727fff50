//! `outlast image`: builds, inspects, edits, compares and salvages images.
//!
//! The library `outlast_image` does the work. Here files are read and written, and results become
//! text, JSON or a page.

pub(crate) mod args;
mod build;
mod change;
mod check;
mod diff;
mod dump;
mod files;
mod help;
mod json;
mod page;
mod raw;
mod salvage;
mod sentences;
mod show;
mod stop;

use std::io::Write;

use self::args::Task;
use crate::exit::Exit;
use crate::output::Output;

/// Carries out an image command.
pub(crate) fn run<W: Write>(task: Task, output: &mut Output<W>) -> Exit {
    let done = match task {
        Task::Build(plan) => build::run(&plan, output),
        Task::Show { dump, json, html, history, raw, force } => {
            let view = show::View { json, html, history, raw, force };
            show::run(&dump, &view, output)
        }
        Task::Check { dump, json } => check::run(&dump, json, output),
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
        Task::Diff { first, second, json } => diff::run(&first, &second, json, output),
        Task::Salvage { dump, output: file, force, json } => {
            salvage::run(&dump, file.as_deref(), force, json, output)
        }
    };
    done.unwrap_or_else(|stop| {
        eprintln!("outlast: {}", stop.why);
        stop.exit
    })
}
