//! Export and import as JSON lines, for tools on the host. Needs an allocator, unlike the rest.
//!
//! One line per setting: `{"key":"radio.channel","source":"stored","value":15}`. `source` is
//! `default` for a setting that has no stored value.

use core::fmt;
use std::string::{String, ToString};
use std::vec::Vec;

use embedded_storage::nor_flash::NorFlash;
use serde::Deserialize;

use super::error::{SettingError, Why};
use super::readable::Readable;
use super::transfer::Declared;
use crate::{Change, Error, Store};

/// Why an export or import as JSON lines did nothing.
#[derive(Debug)]
#[non_exhaustive]
pub enum JsonError<E> {
    /// A line is not what an export writes.
    Line {
        /// Number of the line, from 1.
        line: usize,
        /// What is wrong.
        reason: String,
    },
    /// A setting was refused.
    Setting(SettingError<E>),
    /// An error of the store.
    Store(Error<E>),
}

impl<E: fmt::Debug> fmt::Display for JsonError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Line { line, reason } => write!(f, "line {line}: {reason}"),
            Self::Setting(error) => error.fmt(f),
            Self::Store(error) => error.fmt(f),
        }
    }
}

impl<E: fmt::Debug> core::error::Error for JsonError<E> {}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Line {
    key: String,
    source: Source,
    value: serde_json::Value,
}

#[derive(Deserialize)]
#[serde(rename_all = "lowercase")]
enum Source {
    Stored,
    Default,
}

/// The longest value that is read. A sector does not hold a longer one.
const MOST: usize = 128 * 1024;

/// Exports all settings of the list as JSON lines, including those that have their default. Flash
/// work: a [`Store::get`] per setting. Nothing is programmed.
///
/// # Errors
/// [`JsonError::Setting`] if a stored value has another type, is out of range or damaged, or cannot
/// be written in JSON without loss (a float that is not a number). Never [`JsonError::Store`].
pub fn export_json<S: Readable>(
    store: &mut S,
    settings: &[&dyn Declared],
) -> Result<String, JsonError<S::Error>> {
    let mut lines = String::new();
    let mut buffer = std::vec![0; MOST];
    for setting in settings {
        let key = setting.key();
        let refused = |why| JsonError::Setting(SettingError::new(key, why));
        let stored = store.read(key, &mut buffer).map_err(|error| refused(Why::Store(error)))?;
        let source = if stored.is_some() { "stored" } else { "default" };
        let value = setting.to_json(stored).map_err(|why| refused(why.of_flash()))?;
        let key = serde_json::Value::from(key);
        lines += &std::format!("{{\"key\":{key},\"source\":\"{source}\",\"value\":{value}}}\n");
    }
    Ok(lines)
}

/// Imports JSON lines, all or none. A setting whose line says `stored` is stored, and one whose
/// line says `default` is reset to its default. Returns the number of lines. Everything must fit
/// into one sector.
///
/// Flash work: as for [`Store::commit`]. A cut leaves everything stored or nothing.
///
/// # Errors
/// [`JsonError::Line`] and [`JsonError::Setting`] name the line or the key. No error changes
/// anything, except that after [`Error::Flash`] everything may have been stored.
pub fn import_json<F: NorFlash, const N: usize>(
    store: &mut Store<F, N>,
    settings: &[&dyn Declared],
    lines: &str,
) -> Result<usize, JsonError<F::Error>> {
    let mut values: Vec<(&'static str, Option<Vec<u8>>)> = Vec::new();
    for (number, text) in (1..).zip(lines.lines()) {
        if text.trim().is_empty() {
            continue;
        }
        let wrong = |reason: String| JsonError::Line { line: number, reason };
        let line: Line = serde_json::from_str(text).map_err(|error| wrong(error.to_string()))?;
        let setting = settings
            .iter()
            .find(|setting| setting.key() == line.key)
            .ok_or_else(|| wrong(std::format!("no setting '{}' is declared", line.key)))?;
        let bytes = match line.source {
            Source::Default => None,
            Source::Stored => Some(setting.stored_from_json(line.value).map_err(|why| {
                JsonError::Setting(SettingError::new(setting.key(), why.of_flash()))
            })?),
        };
        values.push((setting.key(), bytes));
    }
    let changes: Vec<Change<'_>> = values
        .iter()
        .map(|(key, bytes)| match bytes {
            Some(bytes) => Change::put(*key, bytes),
            None => Change::delete(*key),
        })
        .collect();
    store.commit(&changes).map_err(JsonError::Store)?;
    Ok(values.len())
}
