//! The page with plots: one file that needs no network, for light and dark screens.

use maud::{DOCTYPE, Markup, PreEscaped, html};
use outlast_costs::growth::Point;
use outlast_costs::load::Load;
use outlast_costs::run::Scheme;
use outlast_costs::table::{Against, Row};
use outlast_costs::theory::{Group, Order, finite_log};
use plotters::prelude::SeriesLabelPosition;

use super::outcome::Outcome;
use super::plot::{Axis, Curve, Look, Plot, STYLE, map};
use super::text;

const PAGE_STYLE: &str = "\
:root{color-scheme:light dark;--paper:#fdfdfb;--ink:#1d2328;--mesh:#d5d9dc;--c1:#1f6fb2;--c2:#c2571a;
--c3:#2c8a57;--c4:#8150b8;--c5:#8a7a12}
@media(prefers-color-scheme:dark){:root{--paper:#171b1f;--ink:#e3e7ea;--mesh:#3a4249;--c1:#6db3f2;
--c2:#f0965c;--c3:#6fcf97;--c4:#bd97ee;--c5:#d8c655}}
body{background:var(--paper);color:var(--ink);font:16px/1.5 sans-serif;max-width:1100px;margin:2rem auto;
padding:0 1rem}
h1{font-size:1.5rem}h2{font-size:1.2rem;margin-top:2.5rem}
svg{max-width:100%;height:auto;display:block}
.wide{overflow-x:auto}
table{border-collapse:collapse;font-size:.85rem;font-variant-numeric:tabular-nums}
th,td{padding:.2rem .55rem;text-align:right;border-bottom:1px solid var(--mesh);white-space:nowrap}
th:nth-child(-n+2),td:nth-child(-n+2){text-align:left}
pre{white-space:pre-wrap;font-size:.85rem}
.note{font-size:.9rem;margin:.4rem 0;max-width:48rem}
";

/// The whole page.
pub(super) fn page(outcome: &Outcome<'_>) -> anyhow::Result<String> {
    let results = outcome.results;
    let orders = text::orders(&results.growth).join("\n");
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width";
                title { "outlast bench" }
                style { (PreEscaped(PAGE_STYLE)) (PreEscaped(STYLE)) }
            }
            body {
                h1 { "What settings in flash cost" }
                p {
                    "Part: " (outcome.geometry) ". Times: " (outcome.part) " (" (outcome.part_source)
                    "), bus " (outcome.spi_mhz) " MHz on one line. Keys of " (outcome.key_bytes)
                    " bytes, values of " (outcome.value_bytes) " bytes: " (results.record_bytes)
                    " bytes per record, " (format!("{:.0}", results.slots)) " records per sector. Seed "
                    (outcome.seed) ". outlast " (outcome.version) "."
                }
                (section("Write amplification and utilisation", &amplification(outcome)?))
                (notes(&text::THEORY_NOTES))
                (theory_table(outcome))
                (section("Wear map", &wear(&results.comparison)))
                (section("Duration of a call, uniform load", &latency(&results.comparison)?))
                h2 { "Cost of an update" }
                (cost_table(outcome))
                (notes(&text::NAIVE_NOTES))
                @if !results.growth.is_empty() {
                    (section("Cost and number of sectors", &by_sectors(&results.growth)?))
                    (section("Cost and number of keys", &by_keys(&results.growth)?))
                    pre { (orders) }
                }
                h2 { "Assumptions" }
                p { (text::ASSUMPTIONS) }
                @for miss in &outcome.misses {
                    p { "Off: " (miss) }
                }
            }
        }
    };
    Ok(markup.into_string())
}

/// A title and a drawing in SVG.
fn section(title: &str, drawing: &str) -> Markup {
    html! {
        h2 { (title) }
        (PreEscaped(drawing))
    }
}

/// Notes below a drawing or a table, a paragraph each.
fn notes(paragraphs: &[&str]) -> Markup {
    html! { @for paragraph in paragraphs { p.note { (paragraph) } } }
}

/// Measured points and the curves of the published analysis, for three numbers of sectors.
fn amplification(outcome: &Outcome<'_>) -> anyhow::Result<String> {
    let results = outcome.results;
    let uniform = |sectors, against| {
        let is_one = move |row: &&Row| {
            let judged = row.theory.is_some_and(|theory| theory.against == against);
            row.load == Load::Uniform && row.geometry.sectors == sectors && judged
        };
        results.against_theory.iter().filter(is_one)
    };
    let mut curves = Vec::new();
    for (colour, sectors) in [2, 4, 16].into_iter().enumerate() {
        let mut large = uniform(sectors, Against::Published);
        let slots = large.next().map_or(results.slots, |row| row.slots);
        let most = f64::from(sectors - 1) * slots;
        let theory = (1..=45).filter_map(|step| {
            let keys = (f64::from(step) / 50.0 * most).round().max(1.0);
            let groups = Group::uniform(keys as u32);
            let a = finite_log(sectors, slots, &groups, Order::CleanThenWrite)?;
            Some((keys / most, a))
        });
        curves.push(Curve {
            label: format!("published, {sectors} sectors"),
            look: Look::Line,
            colour,
            points: theory.collect(),
        });
        for (against, look) in
            [(Against::Published, Look::Dots), (Against::ThisStore, Look::Triangles)]
        {
            let bytes = uniform(sectors, against).next().map(|row| row.geometry.sector_bytes);
            let Some(bytes) = bytes else { continue };
            curves.push(Curve {
                label: format!("measured, {sectors} x {bytes} bytes"),
                look,
                colour,
                points: uniform(sectors, against)
                    .filter_map(|row| Some((row.utilisation, row.theory?.measured)))
                    .collect(),
            });
        }
    }
    Plot {
        title: "Write amplification against utilisation: measured points on published curves"
            .to_owned(),
        x: Axis {
            label: "utilisation: live records / room for them",
            range: 0.0..0.95,
            logarithmic: false,
        },
        y: Axis { label: "records programmed per update", range: 1.0..12.0, logarithmic: false },
        legend: SeriesLabelPosition::UpperLeft,
        curves,
    }
    .svg()
}

fn wear(rows: &[Row]) -> String {
    const SHOWN: usize = 64;
    let shown: Vec<(String, Vec<f64>)> = rows
        .iter()
        .filter(|row| matches!(row.load, Load::Uniform | Load::HotKey | Load::FactoryData))
        .filter_map(|row| {
            let cost = row.cost.as_ref().ok()?;
            let per = |erases: &u32| 1000.0 * f64::from(*erases) / cost.updates as f64;
            let cells = cost.wear.iter().take(SHOWN).map(per).collect();
            Some((format!("{}, {}", row.load.name(), row.scheme.name()), cells))
        })
        .collect();
    map("Erases of each sector per 1000 updates", &shown)
}

/// The share of calls that take longer than a duration, for each scheme.
fn latency(rows: &[Row]) -> anyhow::Result<String> {
    let load = rows.first().map_or(Load::Uniform, |row| row.load);
    let load = if rows.iter().any(|row| row.load == Load::Uniform) { Load::Uniform } else { load };
    let mut curves = Vec::new();
    for (colour, scheme) in Scheme::ALL.into_iter().enumerate() {
        let row = rows.iter().find(|row| row.load == load && row.scheme == scheme);
        let Some(Ok(cost)) = row.map(|row| &row.cost) else { continue };
        let mut above = 1.0;
        let mut points = Vec::new();
        for &(duration, longer) in &cost.latency.longer {
            let ms = (duration as f64 / 1e6).max(0.01);
            // A step: the share falls where the duration is reached.
            points.push((ms, above));
            above = (f64::from(longer) / 1e6).max(1e-5);
            points.push((ms, above));
        }
        curves.push(Curve {
            label: scheme.name().to_owned(),
            look: if colour == 0 { Look::Line } else { Look::Dashes },
            colour,
            points,
        });
    }
    Plot {
        title: "Share of calls that take longer than a duration".to_owned(),
        x: Axis {
            label: "duration of a call in ms, typical times",
            range: 0.01..1000.0,
            logarithmic: true,
        },
        y: Axis { label: "share of calls that take longer", range: 1e-5..1.5, logarithmic: true },
        legend: SeriesLabelPosition::MiddleRight,
        curves,
    }
    .svg()
}

/// A curve: its label, its look, and the figure of a point that it shows.
type Figure = (&'static str, Look, fn(&Point) -> u64);

const FIGURES: [Figure; 5] = [
    ("mount: bytes read", Look::Line, |point| point.mount.read_bytes),
    ("mount: bytes of headers and keys", Look::Dashes, |point| point.needed_bytes),
    ("put with compaction: reads", Look::Line, |point| point.compaction.work.reads),
    ("put without compaction: reads", Look::Triangles, |point| point.put_reads),
    ("get: reads", Look::Dots, |point| point.get.work.reads),
];

fn figures(points: &[&Point], size: fn(&Point) -> u32) -> Vec<Curve> {
    FIGURES
        .iter()
        .enumerate()
        .map(|(colour, (label, look, figure))| Curve {
            label: (*label).to_owned(),
            look: *look,
            colour,
            points: points
                .iter()
                .map(|point| (f64::from(size(point)), (figure(point) as f64).max(0.5)))
                .collect(),
        })
        .collect()
}

fn by_sectors(points: &[Point]) -> anyhow::Result<String> {
    let shown: Vec<&Point> = points.iter().filter(|point| point.keys == 16).collect();
    let curves = figures(&shown, |point| point.sectors);
    grown("number of sectors, 16 keys", 1.8..1200.0, SeriesLabelPosition::UpperLeft, curves)
}

fn by_keys(points: &[Point]) -> anyhow::Result<String> {
    let shown: Vec<&Point> = points.iter().filter(|point| point.sectors == 128).collect();
    let curves = figures(&shown, |point| point.keys);
    grown("number of keys, 128 sectors", 0.9..5000.0, SeriesLabelPosition::MiddleLeft, curves)
}

fn grown(
    label: &'static str,
    range: std::ops::Range<f64>,
    legend: SeriesLabelPosition,
    curves: Vec<Curve>,
) -> anyhow::Result<String> {
    let most = curves.iter().flat_map(|curve| &curve.points).map(|(_, y)| *y).fold(10.0, f64::max);
    Plot {
        title: format!("Flash work against {label}"),
        x: Axis { label, range, logarithmic: true },
        y: Axis { label: "reads, or bytes read", range: 0.5..most * 60.0, logarithmic: true },
        legend,
        curves,
    }
    .svg()
}

fn theory_table(outcome: &Outcome<'_>) -> Markup {
    let head = [
        "load",
        "sectors",
        "slots",
        "keys",
        "utilisation",
        "measured",
        "published",
        "off",
        "this store",
        "off",
    ];
    let rows = outcome.results.against_theory.iter().filter_map(|row| {
        let theory = row.theory?;
        Some(vec![
            row.load.name().to_owned(),
            format!("{} x {}", row.geometry.sectors, row.geometry.sector_bytes),
            format!("{:.0}", row.slots),
            row.keys.to_string(),
            format!("{:.2}", row.utilisation),
            format!("{:.4}", theory.measured),
            format!("{:.4}", theory.published),
            text::off(&theory, Against::Published),
            format!("{:.4}", theory.expected),
            text::off(&theory, Against::ThisStore),
        ])
    });
    html_table(&head, rows)
}

fn cost_table(outcome: &Outcome<'_>) -> Markup {
    let head = [
        "load",
        "scheme",
        "keys",
        "bytes programmed",
        "x value",
        "erases per 1000",
        "expected",
        "spread",
        "reads",
        "bus bytes",
        "typical ms",
        "maximum ms",
        "uJ",
        "50 % ms",
        "99 % ms",
        "worst ms",
        "life x naive",
        "life x rotated naive",
    ];
    let rows = outcome.results.comparison.iter().filter_map(|row| {
        let cost = row.cost.as_ref().ok()?;
        let ratio = |pick: fn(&outlast_costs::table::Ratios) -> f64| {
            row.against_naive
                .as_ref()
                .map_or_else(|| "-".to_owned(), |ratios| format!("{:.1}", pick(ratios)))
        };
        Some(vec![
            row.load.name().to_owned(),
            row.scheme.name().to_owned(),
            row.keys.to_string(),
            format!("{:.1}", cost.programmed_bytes),
            format!("{:.1}", cost.byte_amplification),
            format!("{:.2}", 1000.0 * cost.erases),
            text::expected_erases(row),
            cost.wear_spread.to_string(),
            format!("{:.1}", cost.reads),
            format!("{:.0}", cost.bus_bytes),
            format!("{:.3}", cost.typical_ns / 1e6),
            format!("{:.3}", cost.maximal_ns / 1e6),
            format!("{:.0}", cost.microjoules),
            format!("{:.3}", cost.latency.median_ns as f64 / 1e6),
            format!("{:.3}", cost.latency.p99_ns as f64 / 1e6),
            format!("{:.1}", cost.worst_call.time.maximal_ns as f64 / 1e6),
            ratio(|ratios| ratios.lifetime),
            ratio(|ratios| ratios.lifetime_rotated),
        ])
    });
    html_table(&head, rows)
}

fn html_table(head: &[&str], rows: impl Iterator<Item = Vec<String>>) -> Markup {
    html! {
        div class="wide" {
            table {
                thead { tr { @for cell in head { th { (cell) } } } }
                tbody {
                    @for row in rows {
                        tr { @for cell in row { td { (cell) } } }
                    }
                }
            }
        }
    }
}
