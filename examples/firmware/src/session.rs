//! The commands: one line in, lines of data out, then how it ended.

use core::fmt::{self, Write};

use heapless::Vec;
use outlast_kvstore::embedded_storage::nor_flash::NorFlash;
use outlast_kvstore::{Change, Error, Store};

use crate::console::LINE;

/// What `help` prints.
pub const HELP: &str = "\
get KEY                      print the value
put KEY VALUE                store the rest of the line
delete KEY                   delete the key
commit KEY=VALUE -KEY ...    store and delete up to 8 keys, all or nothing; values without spaces
list                         list every key and the length of its value in bytes
usage                        print how full the store is and how often it compacted
tidy                         compact now if that is due, so that no put has to wait for it
clear                        delete everything
";

/// Why a command failed.
#[derive(Debug)]
pub enum Refusal<E> {
    /// The line is not a command.
    Line(&'static str),
    /// The store refused.
    Store(Error<E>),
}

impl<E> Refusal<E> {
    /// Whether the store must be opened again before further calls.
    pub const fn needs_reopen(&self) -> bool {
        matches!(self, Self::Store(Error::Flash(_) | Error::Worn | Error::ReopenNeeded))
    }
}

impl<E> From<Error<E>> for Refusal<E> {
    fn from(error: Error<E>) -> Self {
        Self::Store(error)
    }
}

impl<E: fmt::Debug> fmt::Display for Refusal<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Line(why) => f.write_str(why),
            Self::Store(error) => error.fmt(f),
        }
    }
}

const NO_SUCH_KEY: &str = "there is no such key";

/// Executes one line. Output other than "ok" goes to `out`, whose errors are ignored.
///
/// # Errors
/// Nothing was changed, unless [`Refusal::needs_reopen`].
pub fn answer<F: NorFlash, const N: usize>(
    store: &mut Store<F, N>,
    line: &str,
    out: &mut impl Write,
) -> Result<(), Refusal<F::Error>> {
    let line = line.trim();
    let (command, rest) = line.split_once(' ').unwrap_or((line, ""));
    let rest = rest.trim_start();
    match command {
        "" => {}
        "help" => {
            let _ = out.write_str(HELP);
        }
        "get" => get(store, rest, out)?,
        "put" => {
            let (key, value) = rest.split_once(' ').ok_or(Refusal::Line("say: put KEY VALUE"))?;
            store.put(key, value.trim_start().as_bytes())?;
        }
        "delete" => {
            if !store.delete(rest)? {
                return Err(Refusal::Line(NO_SUCH_KEY));
            }
        }
        "commit" => store.commit(&changes(rest).map_err(Refusal::Line)?)?,
        "list" => store.for_each_key(|key, value_len| {
            print(key, out);
            let _ = writeln!(out, " {value_len}");
        })?,
        "usage" => {
            let usage = store.usage();
            let _ = writeln!(
                out,
                "{} key{}, {} bytes live, {} bytes free, {} compactions, {} damaged records",
                usage.keys,
                if usage.keys == 1 { "" } else { "s" },
                usage.live_bytes,
                usage.free_bytes,
                usage.compactions,
                usage.damaged_records
            );
        }
        "tidy" => store.tidy()?,
        "clear" => store.clear()?,
        _ => return Err(Refusal::Line("no such command; say: help")),
    }
    Ok(())
}

fn get<F: NorFlash, const N: usize>(
    store: &mut Store<F, N>,
    key: &str,
    out: &mut impl Write,
) -> Result<(), Refusal<F::Error>> {
    let mut buffer = [0; LINE + 16];
    let value = store.get(key, &mut buffer)?.ok_or(Refusal::Line(NO_SUCH_KEY))?;
    print(value, out);
    let _ = out.write_str("\n");
    Ok(())
}

/// Prints text as it is and other bytes in hexadecimal.
fn print(bytes: &[u8], out: &mut impl Write) {
    for chunk in bytes.utf8_chunks() {
        let _ = out.write_str(chunk.valid());
        for byte in chunk.invalid() {
            let _ = write!(out, "\\x{byte:02x}");
        }
    }
}

fn changes(text: &str) -> Result<Vec<Change<'_>, 8>, &'static str> {
    let mut changes = Vec::new();
    for word in text.split_ascii_whitespace() {
        let change = match (word.strip_prefix('-'), word.split_once('=')) {
            (Some(key), _) => Change::delete(key),
            (None, Some((key, value))) => Change::put(key, value.as_bytes()),
            (None, None) => return Err("say: commit KEY=VALUE -KEY ..."),
        };
        changes.push(change).map_err(|_| "no more than 8 changes at once")?;
    }
    if changes.is_empty() { Err("say: commit KEY=VALUE -KEY ...") } else { Ok(changes) }
}
