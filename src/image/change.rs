//! `outlast image get`, `put`, `delete`, `import`, `export`: the real store on a copy in memory.

use std::io::Write;
use std::path::Path;

use anyhow::Context as _;
use outlast_image::container::{Writing, write};
use outlast_image::mount::mount;
use outlast_image::names;
use outlast_image::settings::{self, Format};
use outlast_image::store::Mounted;
use outlast_image::tree::Place;
use outlast_image::value::{self, Type};
use outlast_kvstore::Error;
use serde_json::json;

use super::args::{Dump, Output as File};
use super::dump::{self, Read, refused, survey, types, warn_of_damage};
use super::files;
use super::stop::Stop;
use crate::exit::Exit;
use crate::output::Output;
use crate::words::counted;

/// The exit class of a command that succeeded.
const fn done(damaged: bool) -> Exit {
    if damaged { Exit::Damaged } else { Exit::Clean }
}

/// How `get` prints the value.
pub(super) struct As {
    pub(super) raw: bool,
    pub(super) json: bool,
}

fn key(text: &str) -> Result<Vec<u8>, Stop> {
    names::parse(text).map_err(|why| Stop::new(Exit::Usage, why))
}

fn open(read: &Read) -> Result<Mounted, Stop> {
    let region = read.whole()?.to_vec();
    Mounted::open(region, &read.place.shape).map_err(|error| refused(&read.name, &error))
}

pub(super) fn get<W: Write>(
    dump: &Dump,
    name: &str,
    kind: Option<Type>,
    how: &As,
    output: &mut Output<W>,
) -> Result<Exit, Stop> {
    let key = key(name)?;
    let mut types = types(dump)?;
    let read = dump::read(dump)?;
    let survey = survey(&read)?;
    types.counters = survey.counters();
    let damaged = warn_of_damage(&read, &survey, Some(&key));
    let value = match open(&read)?.get(&key) {
        Ok(Some(value)) => value,
        Ok(None) => {
            let (exit, lost) = match damaged {
                true => (Exit::Damaged, ", or it is lost; 'outlast image salvage' may find it"),
                false => (Exit::Differs, ""),
            };
            let why = format!("{}: there is no key '{name}'{lost}", read.name);
            return Err(Stop::new(exit, why));
        }
        Err(Error::Corrupt) => {
            let why = format!(
                "{0}: the record of '{name}' is damaged; 'outlast image show {0} --history {name}' \
                 shows its older versions",
                read.name
            );
            return Err(Stop::new(Exit::Damaged, why));
        }
        Err(error) => return Err(refused(&read.name, &error)),
    };
    let kind = kind.unwrap_or_else(|| types.kind_of(&key, &value));
    if how.raw {
        output.write_all(&value).and_then(|()| output.flush()).context("cannot write")?;
    } else if how.json {
        output.json(&json!({
            "key": name, "type": kind.to_string(), "value": value::to_json(kind, &value),
            "hex": value::to_hex(&value),
        }))?;
    } else {
        output.say(&format!("{}\n", value::show(kind, &value)))?;
    }
    Ok(done(damaged))
}

/// Writes the copy, and warns if damage may have lost values or left older ones.
fn save<W: Write>(
    read: &Read,
    mut store: Mounted,
    file: &File,
    what: &str,
    output: &mut Output<W>,
) -> Result<Exit, Stop> {
    store.rest().map_err(|error| refused(&read.name, &error))?;
    let damaged = warn_of_damage(read, &survey(read)?, None);
    let usage = store.usage();
    let segments = read.with_region(&store.into_parts().0);
    let container = file.container.unwrap_or(read.container);
    let how = Writing { container, skip_blank: None, family: None };
    let contents = write(&segments, &how).map_err(|why| Stop::new(Exit::Usage, why))?;
    files::save(&file.path, &contents, file.force)?;
    let (keys, free) = (counted(usage.keys, "key"), usage.free_bytes);
    output.say(&format!("{}: {what}; {keys}, {free} bytes free\n", file.path.display()))?;
    Ok(done(damaged))
}

pub(super) fn put<W: Write>(
    dump: &Dump,
    name: &str,
    text: &str,
    kind: Option<Type>,
    file: &File,
    output: &mut Output<W>,
) -> Result<Exit, Stop> {
    files::apart(&file.path, &dump.inputs())?;
    let key = key(name)?;
    let types = types(dump)?;
    let wrong = |why: outlast_image::tree::Complaint| Stop::new(Exit::Usage, why.why);
    let value = match (kind, types.settings.get(&key)) {
        (Some(kind), Some(setting)) if kind != setting.kind => {
            let why = format!("--type {kind}: according to --types, '{name}' is {}", setting.kind);
            return Err(Stop::new(Exit::Usage, why));
        }
        (_, Some(setting)) => setting.value_from_text(text, Place::default()).map_err(wrong)?,
        (kind, None) => value::parse(kind.unwrap_or(Type::TEXT), text).map_err(wrong)?,
    };
    let read = dump::read(dump)?;
    let mut store = open(&read)?;
    store.put(&key, &value).map_err(|error| refused(&read.name, &error))?;
    save(&read, store, file, &format!("put {name}"), output)
}

pub(super) fn delete<W: Write>(
    dump: &Dump,
    names: &[String],
    file: &File,
    output: &mut Output<W>,
) -> Result<Exit, Stop> {
    files::apart(&file.path, &dump.inputs())?;
    let keys: Vec<Vec<u8>> = names.iter().map(|name| key(name)).collect::<Result<_, _>>()?;
    let read = dump::read(dump)?;
    let mut store = open(&read)?;
    for (key, name) in keys.iter().zip(names) {
        if !store.delete(key).map_err(|error| refused(&read.name, &error))? {
            let why = format!("{}: there is no key '{name}'; nothing was written", read.name);
            return Err(Stop::new(Exit::Differs, why));
        }
    }
    save(&read, store, file, &format!("deleted {}", names.join(", ")), output)
}

pub(super) fn import<W: Write>(
    dump: &Dump,
    path: &Path,
    file: &File,
    output: &mut Output<W>,
) -> Result<Exit, Stop> {
    files::apart(&file.path, &[&dump.path, path])?;
    let settings = files::settings(path)?;
    let read = dump::read(dump)?;
    let mut store = open(&read)?;
    let mut count = 0_usize;
    for (key, setting) in &settings.settings {
        let Some(value) = &setting.value else { continue };
        store.put(key, value).map_err(|error| {
            let stop = refused(&read.name, &error);
            Stop::new(stop.exit, format!("{} ('{}')", stop.why, names::show(key)))
        })?;
        count += 1;
    }
    save(&read, store, file, &format!("put {}", counted(count, "setting")), output)
}

pub(super) fn export<W: Write>(
    dump: &Dump,
    file: Option<&Path>,
    format: Option<Format>,
    force: bool,
    output: &mut Output<W>,
) -> Result<Exit, Stop> {
    if let Some(file) = file {
        files::apart(file, &dump.inputs())?;
    }
    let mut types = types(dump)?;
    let read = dump::read(dump)?;
    let survey = survey(&read)?;
    types.counters = survey.counters();
    let has_damage = warn_of_damage(&read, &survey, None);
    let mounted =
        mount(read.whole()?, &read.place.shape).map_err(|error| refused(&read.name, &error))?;
    let by_name = file.and_then(|file| Format::of_name(&file.to_string_lossy()));
    let format = format.or(by_name).unwrap_or(Format::Toml);
    let intact =
        mounted.values.iter().filter_map(|(key, value)| Some((&key[..], value.as_deref()?)));
    let text = settings::write(intact, &|key, value| types.kind_of(key, value), format);
    match file {
        Some(file) => files::save(file, text.as_bytes(), force)?,
        None => output.say(&text)?,
    }
    let damaged: Vec<String> = mounted
        .values
        .iter()
        .filter(|(_, value)| value.is_none())
        .map(|(key, _)| names::show(key))
        .collect();
    if damaged.is_empty() {
        return Ok(done(has_damage));
    }
    let why = format!(
        "{}: left out because their records are damaged: {}",
        read.name,
        damaged.join(", ")
    );
    Err(Stop::new(Exit::Damaged, why))
}
