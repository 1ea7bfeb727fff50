//! `outlast image` and its library.

#[path = "../opening/mod.rs"]
mod opening;

#[path = "../command_line/mod.rs"]
mod command_line;

/// What the command prints about a dump, so that hostile ones can be tried in this process.
#[allow(dead_code, reason = "the command uses the rest")]
#[path = "../../src/image/page.rs"]
mod page;
#[allow(dead_code, reason = "the command uses the rest")]
#[path = "../../src/image/raw.rs"]
mod raw;
#[allow(dead_code, reason = "the command uses the rest")]
#[path = "../../src/image/sentences.rs"]
mod sentences;
#[allow(dead_code, reason = "the command uses the rest")]
#[path = "../../src/words.rs"]
mod words;

mod command;
mod hostile;
mod reader;
mod salvage;
mod sample;
mod survey;
mod worn;
