//! The result as CSV, one line for each run.

use anyhow::Context as _;
use outlast_costs::table::{Results, Row};
use serde::Serialize;

/// One line. Times are in microseconds, per update unless stated otherwise; unknown cells are
/// empty.
#[derive(Debug, Serialize)]
struct Line {
    part_of: &'static str,
    scheme: &'static str,
    load: &'static str,
    sectors: u32,
    sector_bytes: u32,
    unit: u32,
    page: u32,
    keys: u32,
    key_bytes: u32,
    value_bytes: u32,
    utilisation: f64,
    updates: Option<u64>,
    programmed_bytes: Option<f64>,
    byte_amplification: Option<f64>,
    write_amplification: Option<f64>,
    erases: Option<f64>,
    wear_spread: Option<u32>,
    reads: Option<f64>,
    read_bytes: Option<f64>,
    bus_bytes: Option<f64>,
    typical_us: Option<f64>,
    maximal_us: Option<f64>,
    microjoules: Option<f64>,
    call_median_us: Option<f64>,
    call_p90_us: Option<f64>,
    call_p99_us: Option<f64>,
    call_p999_us: Option<f64>,
    call_most_us: Option<f64>,
    call_most_maximal_us: Option<f64>,
    theory_figure: Option<&'static str>,
    theory_measured: Option<f64>,
    theory_published: Option<f64>,
    theory_expected: Option<f64>,
    theory_against: Option<&'static str>,
    theory_tolerance: Option<f64>,
    erases_against_naive: Option<f64>,
    bytes_against_naive: Option<f64>,
    time_against_naive: Option<f64>,
    lifetime_against_naive: Option<f64>,
    lifetime_against_rotated_naive: Option<f64>,
    refused: Option<String>,
}

/// All runs.
pub(super) fn csv(results: &Results) -> anyhow::Result<String> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let lines = results
        .against_theory
        .iter()
        .map(|row| line("theory", row))
        .chain(results.comparison.iter().map(|row| line("comparison", row)));
    for line in lines {
        writer.serialize(line).context("cannot write CSV")?;
    }
    let bytes = writer.into_inner().context("cannot write CSV")?;
    String::from_utf8(bytes).context("cannot write CSV")
}

fn line(part_of: &'static str, row: &Row) -> Line {
    let cost = row.cost.as_ref().ok();
    let us = |ns: u64| ns as f64 / 1000.0;
    let naive = row.against_naive;
    Line {
        part_of,
        scheme: row.scheme.name(),
        load: row.load.name(),
        sectors: row.geometry.sectors,
        sector_bytes: row.geometry.sector_bytes,
        unit: row.geometry.unit,
        page: row.geometry.page,
        keys: row.keys,
        key_bytes: row.key_bytes,
        value_bytes: row.value_bytes,
        utilisation: row.utilisation,
        updates: cost.map(|cost| cost.updates),
        programmed_bytes: cost.map(|cost| cost.programmed_bytes),
        byte_amplification: cost.map(|cost| cost.byte_amplification),
        write_amplification: row.amplification,
        erases: cost.map(|cost| cost.erases),
        wear_spread: cost.map(|cost| cost.wear_spread),
        reads: cost.map(|cost| cost.reads),
        read_bytes: cost.map(|cost| cost.read_bytes),
        bus_bytes: cost.map(|cost| cost.bus_bytes),
        typical_us: cost.map(|cost| cost.typical_ns / 1000.0),
        maximal_us: cost.map(|cost| cost.maximal_ns / 1000.0),
        microjoules: cost.map(|cost| cost.microjoules),
        call_median_us: cost.map(|cost| us(cost.latency.median_ns)),
        call_p90_us: cost.map(|cost| us(cost.latency.p90_ns)),
        call_p99_us: cost.map(|cost| us(cost.latency.p99_ns)),
        call_p999_us: cost.map(|cost| us(cost.latency.p999_ns)),
        call_most_us: cost.map(|cost| us(cost.latency.most_ns)),
        call_most_maximal_us: cost.map(|cost| us(cost.worst_call.time.maximal_ns)),
        theory_figure: row.theory.map(|theory| theory.figure),
        theory_measured: row.theory.map(|theory| theory.measured),
        theory_published: row.theory.map(|theory| theory.published),
        theory_expected: row.theory.map(|theory| theory.expected),
        theory_against: row.theory.map(|theory| theory.against.name()),
        theory_tolerance: row.theory.map(|theory| theory.tolerance),
        erases_against_naive: naive.map(|ratios| ratios.erases),
        bytes_against_naive: naive.map(|ratios| ratios.programmed_bytes),
        time_against_naive: naive.map(|ratios| ratios.time),
        lifetime_against_naive: naive.map(|ratios| ratios.lifetime),
        lifetime_against_rotated_naive: naive.map(|ratios| ratios.lifetime_rotated),
        refused: row.cost.as_ref().err().cloned(),
    }
}
