//! `outlast image check`.

use std::fmt::Write as _;
use std::io::Write;

use outlast_image::check::Class;
use serde_json::json;

use super::args::Dump;
use super::dump::{judge, read};
use super::json::{findings, layout};
use super::sentences;
use super::stop::Stop;
use crate::exit::Exit;
use crate::output::Output;
use crate::words::counted;

const fn in_words(class: Class) -> &'static str {
    match class {
        Class::Clean => "clean: nothing was interrupted, nothing is damaged",
        Class::Interrupted => {
            "interrupted: an operation was cut short; the next mount recovers everything acknowledged"
        }
        Class::Damaged => "damaged: something fails its checks or is missing from the dump",
        Class::NotAStore => "not a store: a device would not open it",
    }
}

pub(super) fn run<W: Write>(dump: &Dump, json: bool, output: &mut Output<W>) -> Result<Exit, Stop> {
    let read = read(dump)?;
    let verdict = judge(&read)?;
    let survey = &verdict.survey;
    let mount = match &verdict.mounted {
        Some(Ok(mounted)) => Ok(mounted),
        Some(Err(error)) => Err(error.to_string()),
        None => Err("the dump ends before the region does".to_owned()),
    };
    if json {
        output.json(&json!({
            "file": read.name,
            "verdict": verdict.class.name(),
            "layout": layout(&read),
            "findings": findings(survey),
            "mount": match &mount {
                Ok(mounted) => {
                    let steps: Vec<String> = mounted.steps.iter().map(ToString::to_string).collect();
                    json!({ "steps": steps, "keys": mounted.usage.keys })
                },
                Err(why) => json!({ "fails": why }),
            },
        }))?;
        return Ok(verdict.class.into());
    }
    let mut text =
        format!("{}: store of {} at 0x{:x}\n", read.name, read.place.shape, read.place.base);
    for finding in &survey.findings {
        let _ = writeln!(text, "  {}", sentences::finding(survey, finding));
    }
    match &mount {
        Ok(mounted) => {
            text.push_str("the next mount will:\n");
            for (number, step) in (1..).zip(&mounted.steps) {
                let _ = writeln!(text, "  {number}. {step}");
            }
            let damaged = mounted.values.values().filter(|value| value.is_none()).count();
            let _ = write!(text, "  and then show {}", counted(mounted.values.len(), "key"));
            let _ = match damaged {
                0 => writeln!(text),
                n => writeln!(text, ", {n} of them damaged"),
            };
        }
        Err(why) => {
            let _ = writeln!(text, "it cannot be mounted: {why}");
        }
    }
    let _ = writeln!(text, "check: {}", in_words(verdict.class));
    output.say(&text)?;
    Ok(verdict.class.into())
}
