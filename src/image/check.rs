//! `outlast image check`.

use std::fmt::Write as _;
use std::io::Write;

use outlast_image::check::{Class, Verdict};
use serde_json::json;

use super::args::Dump;
use super::dump::{judge, read};
use super::json::{findings, layout};
use super::sentences;
use super::stop::Stop;
use crate::exit::Exit;
use crate::output::Output;
use crate::words::counted;

fn in_words(verdict: &Verdict<'_>) -> &'static str {
    match verdict.class {
        Class::Clean => "clean: no interruption and no damage can be seen",
        Class::Interrupted => {
            "interrupted: the log ends as a power cut leaves it; damage of its last records can \
             look the same"
        }
        Class::Damaged if verdict.may_cost_values() => {
            "damaged: values may be lost or old; 'outlast image salvage' extracts what is left"
        }
        Class::Damaged => {
            "damaged, but no value is affected; `scrub` on the device repairs what is in use"
        }
        Class::NotAStore => {
            "not a store: a device would not open it; 'outlast image salvage' may find records"
        }
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
            if mounted.steps.is_empty() {
                let _ = writeln!(text, "  {}", sentences::NO_STEPS);
            }
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
    let _ = writeln!(text, "check: {}", in_words(&verdict));
    output.say(&text)?;
    Ok(verdict.class.into())
}
