//! The result as text: tables for a terminal.

use std::fmt::Write as _;

use outlast_costs::growth::{self, Point};
use outlast_costs::table::{Against, Row, Theory};

use super::outcome::Outcome;
use crate::words::{counted, wrapped};

/// All tables.
pub(super) fn whole(outcome: &Outcome<'_>) -> String {
    let mut text = String::new();
    // Writing to a string does not fail.
    let _ = head(outcome, &mut text);
    let _ = theory(outcome, &mut text);
    let _ = comparison(outcome, &mut text);
    let _ = against_naive(outcome, &mut text);
    let _ = grown(&outcome.results.growth, &mut text);
    let _ = tail(outcome, &mut text);
    text
}

fn head(outcome: &Outcome<'_>, text: &mut String) -> std::fmt::Result {
    let Outcome { geometry, results, .. } = outcome;
    writeln!(text, "outlast bench {}", outcome.version)?;
    writeln!(text, "  part     {geometry}")?;
    writeln!(
        text,
        "  times    {} ({}), bus {} MHz on one line",
        outcome.part, outcome.part_source, outcome.spi_mhz
    )?;
    writeln!(
        text,
        "  records  {}-byte keys, {}-byte values: {} bytes in flash, {:.0} per sector",
        outcome.key_bytes, outcome.value_bytes, results.record_bytes, results.slots
    )?;
    writeln!(text, "  seed     {}\n", outcome.seed)
}

fn theory(outcome: &Outcome<'_>, text: &mut String) -> std::fmt::Result {
    writeln!(text, "Write amplification (slots used per update) against theory")?;
    writeln!(
        text,
        "  {:<13} {:>14} {:>5} {:>5} {:>5} {:>9}  {:>9} {:>9} {:>10} {:>9} {:>6}",
        "load",
        "sectors",
        "slots",
        "keys",
        "u",
        "measured",
        "published",
        "off",
        "this store",
        "off",
        "spread"
    )?;
    let mut last = None;
    for row in &outcome.results.against_theory {
        let (Some(theory), Ok(cost)) = (row.theory, &row.cost) else { continue };
        if last.is_some_and(|last| last != row.geometry.sector_bytes) {
            text.push('\n');
        }
        last = Some(row.geometry.sector_bytes);
        writeln!(
            text,
            "  {:<13} {:>14} {:>5.0} {:>5} {:>5.2} {:>9.4}  {:>9.4} {:>9} {:>10.4} {:>9} {:>6}{}",
            row.load.name(),
            format!("{} x {}", row.geometry.sectors, row.geometry.sector_bytes),
            row.slots,
            row.keys,
            row.utilisation,
            theory.measured,
            theory.published,
            off(&theory, Against::Published),
            theory.expected,
            off(&theory, Against::ThisStore),
            cost.wear_spread,
            if theory.met() { "" } else { "  OFF" },
        )?;
    }
    THEORY_NOTES.iter().for_each(|note| text.push_str(&wrapped(note, "  ")));
    text.push('\n');
    Ok(())
}

/// How far a figure is from one of its two expectations; in brackets if it is not compared with it.
pub(super) fn off(theory: &Theory, from: Against) -> String {
    let share = match from {
        Against::Published => theory.off_published(),
        Against::ThisStore => theory.off(),
    };
    // Adding zero removes the sign of a negative zero.
    let percent = format!("{:+.1} %", (1000.0 * share).round() / 10.0 + 0.0);
    match (theory.covered, theory.against == from) {
        (true, true) => format!("{percent} "),
        (true, false) => format!("({percent})"),
        (false, _) => format!("{percent}*"),
    }
}

/// What the columns of the first table mean.
pub(super) const THEORY_NOTES: [&str; 4] = [
    "u: live records / room for them; slots: records in a sector. Each row is compared with one of \
     two expectations; the difference from the other one is in brackets.",
    "published: Desnoyers, SYSTOR 2012, equations 4 (uniform, within 2 %) and 14 (others, within \
     5 %), in the exact form for few sectors.",
    "this store (within 1 %, factory data 5 %): the same theory, except that a change that finds no \
     room goes into the new sector before the copies, so that the record it replaces is not copied, \
     and that factory data lie together as they were written. With two sectors this saves one \
     record per compaction. Where fewer than 50 records are written between two compactions, that \
     is more than 2 %, so only larger sectors are compared with the published form.",
    "*: factory data fill whole sectors, which theory does not cover: next to such a sector each \
     change needs a seal record, and the log leaves a sector while it still has room.",
];

fn comparison(outcome: &Outcome<'_>, text: &mut String) -> std::fmt::Result {
    writeln!(text, "Cost of an update, {} sectors", outcome.geometry.sectors)?;
    writeln!(
        text,
        "  {:<14} {:<10} {:>5} {:>8} {:>6} {:>9} {:>9} {:>6} {:>6} {:>7} {:>8} {:>8} {:>8}",
        "load",
        "scheme",
        "keys",
        "program",
        "x",
        "erases",
        "expected",
        "spread",
        "reads",
        "bus",
        "typical",
        "maximum",
        "energy"
    )?;
    writeln!(
        text,
        "  {:<14} {:<10} {:>5} {:>8} {:>6} {:>9} {:>9} {:>6} {:>6} {:>7} {:>8} {:>8} {:>8}",
        "", "", "", "bytes", "value", "per 1000", "per 1000", "", "", "bytes", "ms", "ms", "uJ"
    )?;
    for row in &outcome.results.comparison {
        let name = format!("  {:<14} {:<10} {:>5}", row.load.name(), row.scheme.name(), row.keys);
        match &row.cost {
            Ok(cost) => writeln!(
                text,
                "{name} {:>8.1} {:>6.1} {:>9.2} {:>9} {:>6} {:>6.1} {:>7.0} {:>8.3} {:>8.3} {:>8.0}",
                cost.programmed_bytes,
                cost.byte_amplification,
                1000.0 * cost.erases,
                expected_erases(row),
                cost.wear_spread,
                cost.reads,
                cost.bus_bytes,
                cost.typical_ns / 1e6,
                cost.maximal_ns / 1e6,
                cost.microjoules,
            )?,
            Err(why) => writeln!(text, "{name}  not possible: {why}")?,
        }
    }
    writeln!(
        text,
        "\nDuration of a call in milliseconds (typical times; worst: with maximum times)\n  \
         {:<14} {:<10} {:>8} {:>8} {:>8} {:>8} {:>8} {:>8}  the worst call",
        "load", "scheme", "50 %", "90 %", "99 %", "99.9 %", "longest", "worst"
    )?;
    for row in &outcome.results.comparison {
        let Ok(cost) = &row.cost else { continue };
        let ms = |ns: u64| ns as f64 / 1e6;
        let latency = &cost.latency;
        writeln!(
            text,
            "  {:<14} {:<10} {:>8.3} {:>8.3} {:>8.3} {:>8.3} {:>8.3} {:>8.2}  {}, {}",
            row.load.name(),
            row.scheme.name(),
            ms(latency.median_ns),
            ms(latency.p90_ns),
            ms(latency.p99_ns),
            ms(latency.p999_ns),
            ms(latency.most_ns),
            ms(cost.worst_call.time.maximal_ns),
            cost.worst_call.work,
            counted(cost.worst_call.programmed_bytes, "byte"),
        )?;
    }
    text.push('\n');
    Ok(())
}

/// Erases of a thousand updates according to theory.
pub(super) fn expected_erases(row: &Row) -> String {
    match row.theory {
        Some(theory) if theory.figure == "erases per update" => {
            format!("{:.2}", 1000.0 * theory.expected)
        }
        Some(theory) => format!("{:.2}", 1000.0 * theory.expected / row.slots),
        None => "-".to_owned(),
    }
}

fn against_naive(outcome: &Outcome<'_>, text: &mut String) -> std::fmt::Result {
    writeln!(text, "Improvement over the naive rewrite of a sector, as a factor")?;
    writeln!(
        text,
        "  {:<14} {:<10} {:>9} {:>9} {:>9} {:>9} {:>9}",
        "load", "scheme", "erases", "bytes", "time", "life", "life*"
    )?;
    for row in &outcome.results.comparison {
        let Some(ratios) = row.against_naive else { continue };
        if row.scheme == outlast_costs::run::Scheme::Naive {
            continue;
        }
        writeln!(
            text,
            "  {:<14} {:<10} {:>9.1} {:>9.1} {:>9.1} {:>9.1} {:>9.1}",
            row.load.name(),
            row.scheme.name(),
            ratios.erases,
            ratios.programmed_bytes,
            ratios.time,
            ratios.lifetime,
            ratios.lifetime_rotated,
        )?;
    }
    NAIVE_NOTES.iter().for_each(|note| text.push_str(&wrapped(note, "  ")));
    text.push('\n');
    Ok(())
}

/// What the columns of the ratios mean.
pub(super) const NAIVE_NOTES: [&str; 2] = [
    "life: updates until the most worn sector is worn out. life*: compared with a naive rewrite that \
     spreads its erases evenly over all sectors, which no rotation can surpass.",
    "The naive rewrite is not safe against power cuts; it keeps the settings of a sector in one table \
     and programs only that. The two copies take half of the part each, and an update erases a whole \
     half.",
];

fn grown(points: &[Point], text: &mut String) -> std::fmt::Result {
    if points.is_empty() {
        return Ok(());
    }
    writeln!(text, "Growth with sectors and keys, after the log has wrapped around")?;
    writeln!(
        text,
        "  {:>7} {:>5} {:>5} {:>8} {:>8} {:>9} {:>7} {:>8} {:>5} {:>5} {:>33}",
        "sectors",
        "keys",
        "u",
        "records",
        "mount",
        "bytes",
        "/needed",
        "ms",
        "get",
        "put",
        "put with compaction"
    )?;
    writeln!(
        text,
        "  {:>7} {:>5} {:>5} {:>8} {:>8} {:>9} {:>7} {:>8} {:>5} {:>5} {:>7} {:>7} {:>8} {:>8}",
        "",
        "",
        "",
        "in log",
        "reads",
        "read",
        "",
        "typical",
        "reads",
        "reads",
        "erases",
        "reads",
        "bytes",
        "ms max"
    )?;
    for point in points {
        writeln!(
            text,
            "  {:>7} {:>5} {:>5.2} {:>8} {:>8} {:>9} {:>7.2} {:>8.2} {:>5} {:>5} {:>7} {:>7} {:>8} {:>8.1}",
            point.sectors,
            point.keys,
            point.utilisation,
            point.log_records,
            point.mount.work.reads,
            point.mount.read_bytes,
            point.mount.read_bytes as f64 / point.needed_bytes as f64,
            point.mount.time.typical_ns as f64 / 1e6,
            point.get.work.reads,
            point.put_reads,
            point.compaction.work.erases,
            point.compaction.work.reads,
            point.compaction.programmed_bytes,
            point.compaction.time.maximal_ns as f64 / 1e6,
        )?;
    }
    for line in orders(points) {
        writeln!(text, "  {line}")?;
    }
    text.push('\n');
    Ok(())
}

/// A figure of a point: its name and its value.
type Figure = (&'static str, fn(&Point) -> u64);

/// The orders of growth, one line for each figure.
pub(super) fn orders(points: &[Point]) -> Vec<String> {
    let figures: [Figure; 5] = [
        ("mount reads", |point| point.mount.work.reads),
        ("mount bytes", |point| point.mount.read_bytes),
        ("get reads", |point| point.get.work.reads),
        ("put reads", |point| point.put_reads),
        ("compaction reads", |point| point.compaction.work.reads),
    ];
    let exponent = |along: Vec<(f64, f64)>| match growth::order(&along) {
        // Adding zero removes the sign of a negative zero.
        Some(order) => format!("{:.2}", (order * 100.0).round() / 100.0 + 0.0),
        None => "-".to_owned(),
    };
    let keys_held = points.iter().map(|point| point.keys).filter(|keys| *keys > 1).min();
    let most_sectors = points.iter().map(|point| point.sectors).max();
    figures
        .iter()
        .map(|(name, figure)| {
            let by_sectors = points
                .iter()
                .filter(|point| Some(point.keys) == keys_held && point.sectors >= 8)
                .map(|point| (point.sectors.into(), figure(point) as f64))
                .collect();
            let by_keys = points
                .iter()
                .filter(|point| Some(point.sectors) == most_sectors && point.keys >= 16)
                .map(|point| (point.keys.into(), figure(point) as f64))
                .collect();
            format!(
                "{name:<16} ~ sectors^{} ({}), keys^{} ({})",
                exponent(by_sectors),
                counted(keys_held.unwrap_or(0), "key"),
                exponent(by_keys),
                counted(most_sectors.unwrap_or(0), "sector"),
            )
        })
        .collect()
}

fn tail(outcome: &Outcome<'_>, text: &mut String) -> std::fmt::Result {
    text.push_str(&wrapped(ASSUMPTIONS, ""));
    for miss in &outcome.misses {
        writeln!(text, "off: {miss}")?;
    }
    writeln!(
        text,
        "bench: runs={} off={} seconds={:.1}",
        outcome.results.against_theory.len() + outcome.results.comparison.len(),
        outcome.misses.len(),
        outcome.seconds
    )
}

/// Where times and energy come from.
pub(super) const ASSUMPTIONS: &str = "The counts are from a simulated part. The times are those of the data sheet named above, without \
     the status polls. The energy assumes 3.3 V, 15 mA while programming or erasing and 6 mA while \
     the bus is clocked, from memory. For endurance and retention, and how both fall with \
     temperature, the data sheet of the part decides.";
