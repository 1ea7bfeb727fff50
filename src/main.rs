//! `outlast`: puts settings storage for NOR flash under simulated power cuts, measures it,
//! forecasts how long a part lasts, and works on images of the store.
//!
//! The work is done by the libraries `outlast_faultsim`, `outlast_costs` and `outlast_image`; here
//! arguments become a plan and results become text, JSON, a page or JUnit XML. Each command has a
//! folder; `merge` and `replay` are in that of `torture`, which makes what they read.

mod args;
mod bench;
mod command;
mod exit;
mod image;
mod output;
mod plan;
mod progress;
mod torture;
mod words;

use std::process::ExitCode;

use crate::command::Task;
use crate::exit::Exit;
use crate::output::Output;
use crate::torture::{merge, replay};

fn main() -> ExitCode {
    let worked = std::panic::catch_unwind(|| carry_out(std::env::args_os().collect()));
    let exit = worked.unwrap_or_else(|_| {
        eprintln!("outlast: internal error; please report it with the command and the lines above");
        Exit::Internal
    });
    ExitCode::from(exit.code())
}

fn carry_out(arguments: Vec<std::ffi::OsString>) -> Exit {
    let mut output = Output::new(std::io::stdout().lock());
    let done = match command::parse(arguments) {
        Task::Say(text) => output.say(&text).map(|()| Exit::Clean),
        Task::Refuse(text) => {
            eprint!("outlast: {text}");
            Ok(Exit::Usage)
        }
        Task::Torture(request) => torture::run(&request, &mut output),
        Task::Bench(request) => bench::run(&request, &mut output),
        Task::Plan(request) => plan::run(&request, &mut output),
        Task::Image(task) => Ok(image::run(task, &mut output)),
        Task::Merge(request) => merge::run(&request, &mut output),
        Task::Replay(request) => replay::run(&request, &mut output),
    };
    done.unwrap_or_else(|error| {
        eprintln!("outlast: {error:#}");
        Exit::Internal
    })
}
