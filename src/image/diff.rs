//! `outlast image diff`.

use std::fmt::Write as _;
use std::io::Write;

use outlast_image::mount::{MountedCopy, mount};
use outlast_image::{diff, names, value};
use serde_json::json;

use super::args::Dump;
use super::dump::{self, refused, survey, types, warn_of_damage};
use super::stop::Stop;
use crate::exit::Exit;
use crate::output::Output;
use crate::words::counted;

pub(super) fn run<W: Write>(
    first: &Dump,
    second: &Dump,
    json: bool,
    output: &mut Output<W>,
) -> Result<Exit, Stop> {
    let mut types = types(first)?;
    let mut damaged = false;
    let mut copy = |dump: &Dump| -> Result<MountedCopy, Stop> {
        let read = dump::read(dump)?;
        let survey = survey(&read)?;
        damaged |= warn_of_damage(&read, &survey, None);
        types.counters.append(&mut survey.counters());
        mount(read.whole()?, &read.place.shape).map_err(|error| refused(&read.name, &error))
    };
    let (one, two) = (copy(first)?, copy(second)?);
    let differences = diff::settings(&one.values, &two.values);
    let compactions = diff::compactions_between(&one, &two);
    if json {
        let side = |key: &[u8], value: &Option<Option<Vec<u8>>>| match value {
            None => json!(null),
            Some(None) => json!({ "damaged": true }),
            Some(Some(value)) => {
                let kind = types.kind_of(key, value);
                json!({ "value": value::to_json(kind, value), "hex": value::to_hex(value) })
            }
        };
        let settings: Vec<_> = differences
            .iter()
            .map(|d| {
                json!({
                    "key": names::show(&d.key),
                    "first": side(&d.key, &d.first), "second": side(&d.key, &d.second),
                })
            })
            .collect();
        let wear = |copy: &MountedCopy| json!({ "compactions": copy.usage.compactions, "free_bytes": copy.usage.free_bytes });
        output.json(&json!({
            "settings": settings,
            "wear": { "first": wear(&one), "second": wear(&two), "compactions_between": compactions },
        }))?;
    } else {
        let mut text = String::new();
        for d in &differences {
            let show = |value: &Option<Option<Vec<u8>>>| match value {
                None => "(none)".to_owned(),
                Some(None) => "(damaged)".to_owned(),
                Some(Some(value)) => value::show(types.kind_of(&d.key, value), value),
            };
            let _ = writeln!(
                text,
                "{}: {} -> {}",
                names::show(&d.key),
                show(&d.first),
                show(&d.second)
            );
        }
        let _ = writeln!(
            text,
            "{} {}; compactions since the first format: {} and {}",
            counted(differences.len(), "setting"),
            if differences.len() == 1 { "differs" } else { "differ" },
            one.usage.compactions,
            two.usage.compactions
        );
        output.say(&text)?;
    }
    Ok(match (damaged, differences.is_empty()) {
        (true, _) => Exit::Damaged,
        (_, true) => Exit::Clean,
        (_, false) => Exit::Differs,
    })
}
