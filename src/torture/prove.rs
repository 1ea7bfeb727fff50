//! `outlast torture --prove-rig`: mutation-tests the rig and compares the kill matrix with the
//! reviewed one.

use std::io::Write;
use std::path::PathBuf;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use outlast_faultsim::selftest::{Proof, Steps, prove};
use serde::Serialize;

use crate::exit::Exit;
use crate::output::{self, Output};
use crate::progress;
use crate::words::{clock, counted};

/// The reviewed kill matrix.
const REVIEWED: &str = include_str!("../../tests/kill-matrix.txt");
/// How many differing lines are shown at most.
const SHOWN: usize = 20;

/// What is asked for.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Request {
    pub(crate) json: bool,
    /// Where to write the matrix instead of comparing it.
    pub(crate) write_matrix: Option<PathBuf>,
}

/// What `--json` prints.
#[derive(Debug, Serialize)]
struct Outcome<'proof> {
    version: &'static str,
    proved: bool,
    seconds: f64,
    /// Lines of the matrix that differ from the reviewed matrix.
    differing: &'proof [String],
    #[serde(flatten)]
    proof: &'proof Proof,
}

/// Proves the rig and prints the kill matrix.
pub(crate) fn run<W: Write>(request: &Request, output: &mut Output<W>) -> anyhow::Result<Exit> {
    let started = Instant::now();
    let steps = Steps::default();
    let show = |elapsed: Duration| {
        let (planned, done) =
            (steps.planned.load(Ordering::Relaxed), steps.done.load(Ordering::Relaxed));
        let share = if planned == 0 { 0.0 } else { done as f64 / planned as f64 };
        (share, format!("{done} of {planned} steps of the proof, {}", clock(elapsed)))
    };
    let proof = progress::watch(show, || prove(&steps));
    let matrix = proof.matrix();
    let differing = match &request.write_matrix {
        Some(path) => {
            output::write_file(path, &matrix)?;
            Vec::new()
        }
        None => differing(REVIEWED, &matrix),
    };
    let seconds = started.elapsed().as_secs_f64();
    let proved = proof.failures.is_empty() && differing.is_empty();
    if request.json {
        let version = env!("CARGO_PKG_VERSION");
        output.json(&Outcome { version, proved, seconds, differing: &differing, proof: &proof })?;
    } else {
        output.say(&text(&proof, &matrix, &differing, seconds))?;
    }
    Ok(if proved { Exit::Clean } else { Exit::NotProved })
}

/// The lines that are in only one of the texts.
fn differing(reviewed: &str, matrix: &str) -> Vec<String> {
    let only = |these: &str, others: &str, mark: &str| -> Vec<String> {
        let others: Vec<&str> = others.lines().collect();
        let lines = these.lines().filter(|line| !others.contains(line));
        lines.map(|line| format!("{mark} {line}")).collect()
    };
    let mut lines = only(reviewed, matrix, "-");
    lines.extend(only(matrix, reviewed, "+"));
    lines
}

fn text(proof: &Proof, matrix: &str, differing: &[String], seconds: f64) -> String {
    let mut text = format!("{matrix}\n");
    for failure in &proof.failures {
        text.push_str(&format!("NOT PROVED: {failure}\n"));
    }
    if !differing.is_empty() {
        text.push_str(
            "NOT PROVED: the kill matrix differs from the reviewed one (lines with -). If the change \
             is intended, run\n  outlast torture --prove-rig --write-matrix tests/kill-matrix.txt\n\
             and review the differences:\n",
        );
        for line in differing.iter().take(SHOWN) {
            text.push_str(&format!("  {line}\n"));
        }
        if differing.len() > SHOWN {
            text.push_str(&format!(
                "  ... and {} more\n",
                counted(differing.len() - SHOWN, "line")
            ));
        }
    }
    let seen = proof.rows.iter().filter(|row| row.lowest == Some(row.stated)).count();
    let escaped = proof.ablations.iter().filter(|ablation| ablation.escaped).count();
    let verdict =
        if proof.failures.is_empty() && differing.is_empty() { "proved" } else { "NOT-PROVED" };
    text.push_str(&format!(
        "prove-rig: {verdict} planted={} seen-at-lowest-level={seen} sound-images={} \
         switched-off={} escaped={escaped} median-operations={} median-cuts={} seconds={seconds:.1}\n",
        proof.rows.len(),
        proof.sound_images,
        proof.ablations.len(),
        proof.median_operations,
        proof.median_cuts,
    ));
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn differing_lines_are_listed() {
        assert!(differing(REVIEWED, REVIEWED).is_empty());
        assert_eq!(differing("a\nb\nc\n", "a\nx\nc\n"), ["- b", "+ x"]);
        assert_eq!(differing("a\n", ""), ["- a"]);
    }
}
