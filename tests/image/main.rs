//! Images of flash: what the host makes of them.

#[path = "../opening/mod.rs"]
mod opening;

#[path = "../command_line/mod.rs"]
mod command_line;

mod command;
mod hostile;
mod reader;
mod salvage;
mod sample;
mod survey;
