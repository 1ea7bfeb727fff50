//! `outlast merge`: one verdict from the separate shards of a plan.

use std::fmt::Write as _;
use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Args;
use outlast_faultsim::config::Shard;
use outlast_faultsim::part::{Geometry, Level};
use outlast_faultsim::report::{Verdict, Violation};
use serde::{Deserialize, Serialize};

use super::outcome::{Totals, add_violation, rank};
use super::schedule::ShardInfo;
use super::text;
use crate::exit::{Exit, after_help};
use crate::output::Output;
use crate::words::counted;

const EXAMPLES: &str = "\
Examples:
  outlast torture --edges 2 --shard 1/2 --json > one.json   on one machine
  outlast torture --edges 2 --shard 2/2 --json > two.json   on another
  outlast merge one.json two.json";

const EXIT_CODES: [(u8, &str); 5] = [
    (0, "clean: all shards are complete and nothing was found"),
    (1, "a shard found a violation"),
    (2, "wrong usage: a file cannot be used, or a shard is missing"),
    (3, "a shard is incomplete, and nothing was found"),
    (4, "the store fails without any power cut"),
];

/// What was typed.
#[derive(Debug, Args)]
#[command(after_help = after_help(EXAMPLES, &EXIT_CODES))]
pub(crate) struct Typed {
    /// The output of 'outlast torture --shard K/N --json', one file per shard, in any order
    #[arg(required = true, value_name = "FILE.json")]
    files: Vec<PathBuf>,
    /// Print one JSON object and nothing else on standard output
    #[arg(long)]
    json: bool,
}

/// What is asked for.
#[derive(Debug)]
pub(crate) struct Request {
    shards: Vec<(String, ShardFile)>,
    json: bool,
}

/// The fields of a run's JSON that are used here.
#[derive(Clone, Debug, Deserialize)]
struct ShardFile {
    version: String,
    subject: String,
    geometry: Geometry,
    level: Level,
    seed: u64,
    shard: Option<ShardInfo>,
    verdict: Verdict,
    reason: String,
    seconds: f64,
    totals: Totals,
    violations: Vec<Violation>,
}

/// The result; as JSON what `--json` prints.
#[derive(Debug, Serialize)]
struct Merged {
    version: String,
    subject: String,
    geometry: Geometry,
    level: Level,
    seed: u64,
    /// The command that runs the whole plan.
    plan: String,
    shards: usize,
    verdict: Verdict,
    reason: String,
    /// Of all shards together.
    seconds: f64,
    /// Distinct images are counted within each shard and then added.
    totals: Totals,
    /// One per signature, with the fewest cuts.
    violations: Vec<Violation>,
}

impl Typed {
    /// Reads the files.
    pub(crate) fn into_request(self) -> Result<Request, String> {
        let read = |path: &PathBuf| {
            let name = path.display().to_string();
            read(path).map(|shard| (name.clone(), shard)).map_err(|why| format!("{name}: {why}"))
        };
        let shards: Vec<_> = self.files.iter().map(read).collect::<Result<_, _>>()?;
        complete(&shards)?;
        Ok(Request { shards, json: self.json })
    }
}

fn read(path: &Path) -> Result<ShardFile, String> {
    let text = std::fs::read_to_string(path).map_err(|error| error.to_string())?;
    serde_json::from_str(&text).map_err(|error| {
        format!(
            "not the result of a run ({error}); give the output of 'outlast torture --shard K/N --json'"
        )
    })
}

/// Checks that these are all shards of one plan, each once.
fn complete(shards: &[(String, ShardFile)]) -> Result<(), String> {
    let mut numbers: Vec<(u32, &str)> = Vec::new();
    let mut first: Option<(&str, &ShardFile, &ShardInfo)> = None;
    for (name, shard) in shards {
        let Some(part) = &shard.shard else {
            return Err(format!("{name}: the result of a whole plan, not of a shard"));
        };
        if Shard::new(part.number, part.of).is_none() {
            return Err(format!("{name}: there is no shard {}/{}", part.number, part.of));
        }
        let (other, other_shard, of) = *first.get_or_insert((name, shard, part));
        if let Some(what) = difference((shard, part), (other_shard, of)) {
            return Err(format!("{name} and {other} are from different runs: {what}"));
        }
        numbers.push((part.number, name));
    }
    numbers.sort_unstable();
    let mut pairs = numbers.iter().zip(numbers.iter().skip(1));
    if let Some(((number, one), (_, two))) = pairs.find(|(one, two)| one.0 == two.0) {
        return Err(format!("shard {number} appears twice: {one} and {two}"));
    }
    let of = first.map_or(0, |(_, _, part)| part.of);
    let missing: Vec<String> = (1..=of)
        .filter(|number| numbers.binary_search_by_key(number, |(number, _)| *number).is_err())
        .map(|number| format!("{number}/{of}"))
        .collect();
    if missing.is_empty() {
        Ok(())
    } else {
        Err(format!(
            "missing: shard {}; run what is missing and give all files",
            missing.join(", ")
        ))
    }
}

/// How two results differ, if they are not from the same run.
fn difference(
    (a, of_a): (&ShardFile, &ShardInfo),
    (b, of_b): (&ShardFile, &ShardInfo),
) -> Option<String> {
    let differs = |what: &str, a: &dyn std::fmt::Display, b: &dyn std::fmt::Display| {
        let (a, b) = (a.to_string(), b.to_string());
        (a != b).then(|| format!("{what} {a} and {b}"))
    };
    differs("version", &a.version, &b.version)
        .or_else(|| differs("store", &a.subject, &b.subject))
        .or_else(|| differs("part", &a.geometry, &b.geometry))
        .or_else(|| differs("level", &a.level, &b.level))
        .or_else(|| differs("seed", &a.seed, &b.seed))
        .or_else(|| differs("number of shards", &of_a.of, &of_b.of))
        .or_else(|| differs("plan", &of_a.plan, &of_b.plan))
}

/// Prints the merged result.
pub(crate) fn run<W: Write>(request: &Request, output: &mut Output<W>) -> anyhow::Result<Exit> {
    let Some(merged) = merge(&request.shards) else { return Ok(Exit::Usage) };
    if request.json {
        output.json(&merged)?;
    } else {
        output.say(&as_text(&merged, &request.shards))?;
    }
    Ok(merged.verdict.into())
}

/// `None` if there is no shard.
fn merge(shards: &[(String, ShardFile)]) -> Option<Merged> {
    let (_, first) = shards.first()?;
    let mut merged = Merged {
        version: first.version.clone(),
        subject: first.subject.clone(),
        geometry: first.geometry,
        level: first.level,
        seed: first.seed,
        plan: first.shard.as_ref()?.plan.clone(),
        shards: shards.len(),
        verdict: Verdict::Clean,
        reason: String::new(),
        seconds: 0.0,
        totals: Totals::default(),
        violations: Vec::new(),
    };
    for (name, shard) in shards {
        merged.seconds += shard.seconds;
        merged.totals.add(&shard.totals);
        if rank(shard.verdict) > rank(merged.verdict) {
            merged.verdict = shard.verdict;
            merged.reason = match shard.reason.as_str() {
                "" => name.clone(),
                reason => format!("{name}: {reason}"),
            };
        }
        for violation in &shard.violations {
            add_violation(&mut merged.violations, violation.clone());
        }
    }
    Some(merged)
}

/// The merged result as text; the last line is made for `grep`.
fn as_text(merged: &Merged, shards: &[(String, ShardFile)]) -> String {
    let mut text = String::new();
    for (name, shard) in shards {
        let Some(part) = &shard.shard else { continue };
        // Writing to a string does not fail.
        let _ = writeln!(
            text,
            "shard {}/{}: {}, {}, {:.1} s ({name})",
            part.number,
            part.of,
            text::verdict(shard.verdict),
            counted(shard.totals.distinct, "distinct image"),
            shard.seconds
        );
    }
    for violation in &merged.violations {
        let _ =
            writeln!(text, "violation: {}\n  {}", text::headline(violation), violation.sentence);
        let _ = writeln!(text, "  outlast replay {}", violation.token);
    }
    if merged.verdict != Verdict::Clean && !merged.reason.is_empty() {
        let _ = writeln!(text, "{}: {}", text::verdict(merged.verdict), merged.reason);
    }
    let _ = writeln!(text, "the whole plan: {}", merged.plan);
    let signatures = merged.violations.len();
    let end =
        text::last_line(merged.verdict, &merged.totals, signatures, merged.seed, merged.seconds);
    let _ = writeln!(text, "merge: {end}");
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shard(number: u32, of: u32) -> (String, ShardFile) {
        let part = ShardInfo { number, of, plan: "outlast torture --edges 2".to_owned() };
        let file = ShardFile {
            version: "1".to_owned(),
            subject: "outlast".to_owned(),
            geometry: Geometry::new(4, 4096, 1, 256).unwrap(),
            level: Level::F4,
            seed: 1,
            shard: Some(part),
            verdict: Verdict::Clean,
            reason: String::new(),
            seconds: 1.5,
            totals: Totals {
                cuts: 10,
                distinct: 9,
                judged: 12,
                power_ups: 20,
                ..Totals::default()
            },
            violations: Vec::new(),
        };
        (format!("{number}.json"), file)
    }

    #[test]
    fn all_shards_of_one_plan_are_wanted_each_once() {
        let refused = |shards: &[(String, ShardFile)]| complete(shards).unwrap_err();
        assert_eq!(complete(&[shard(2, 2), shard(1, 2)]), Ok(()));
        assert!(refused(&[shard(1, 3), shard(3, 3)]).contains("missing: shard 2/3"));
        assert!(refused(&[shard(1, 2), shard(1, 2)]).contains("shard 1 appears twice"));
        assert!(refused(&[shard(1, 2), shard(2, 3)]).contains("number of shards 3 and 2"));
        assert!(refused(&[shard(3, 2)]).contains("no shard 3/2"));
        let (name, file) = shard(2, 2);
        let whole = ShardFile { shard: None, ..file.clone() };
        assert!(refused(&[(name.clone(), whole)]).contains("a whole plan"));
        let other = ShardFile { seed: 2, ..file.clone() };
        assert!(refused(&[shard(1, 2), (name.clone(), other)]).contains("seed 2 and 1"));
        let mut other = file;
        other.shard.as_mut().unwrap().plan.push_str(" --depth 4");
        assert!(refused(&[shard(1, 2), (name, other)]).contains("different runs: plan"));
    }

    #[test]
    fn the_worst_verdict_is_that_of_the_whole() {
        let (name, file) = shard(2, 2);
        let late = ShardFile { verdict: Verdict::Incomplete, reason: "late".to_owned(), ..file };
        let merged = merge(&[shard(1, 2), (name, late)]).unwrap();
        assert_eq!((merged.verdict, merged.reason.as_str()), (Verdict::Incomplete, "2.json: late"));
        assert_eq!((merged.totals.distinct, merged.totals.judged), (18, 24));
        let text = as_text(&merged, &[shard(1, 2)]);
        assert!(
            text.lines().last().unwrap().starts_with("merge: incomplete distinct=18 "),
            "{text}"
        );
    }
}
