//! `outlast`: puts settings storage for NOR flash under simulated power cuts.
//!
//! The work is done by the library `outlast_faultsim`; here arguments become a plan and results
//! become text or JSON.

mod args;
mod exit;
mod output;
mod plan;
mod progress;
mod prove;
mod replay;
mod text;
mod torture;

use std::process::ExitCode;

use crate::args::Task;
use crate::exit::Exit;
use crate::output::Output;

fn main() -> ExitCode {
    let worked = std::panic::catch_unwind(|| carry_out(std::env::args_os().collect()));
    let exit = worked.unwrap_or_else(|_| {
        eprintln!("outlast: internal error; please report it with the command and the lines above");
        Exit::Internal
    });
    ExitCode::from(exit.code())
}

fn carry_out(words: Vec<std::ffi::OsString>) -> Exit {
    let mut output = Output::new(std::io::stdout().lock());
    let done = match args::understand(words) {
        Task::Say(text) => output.say(&text).map(|()| Exit::Clean),
        Task::Refuse(text) => {
            eprint!("outlast: {text}");
            Ok(Exit::Usage)
        }
        Task::Torture { plan, json } => torture::run(&plan, json, &mut output),
        Task::ProveRig(request) => prove::run(&request, &mut output),
        Task::Replay { subject, token, json } => replay::run(subject, &token, json, &mut output),
    };
    done.unwrap_or_else(|error| {
        eprintln!("outlast: {error:#}");
        Exit::Internal
    })
}
