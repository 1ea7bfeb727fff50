//! The host command, from its arguments to its exit codes and files, and the files that it keeps in
//! the repository.

#[path = "../command_line/mod.rs"]
mod command_line;

mod c_subject;
mod emitted;
mod kill_matrix;
mod numbers;
mod pages;
mod regressions;
mod replay;
mod report;
mod torture;
mod walkthrough;
