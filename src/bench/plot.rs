//! Plots as inline SVG. The colours are placeholders that the style sheet of the page replaces, so
//! that one drawing serves light and dark screens.

use std::ops::Range;

use anyhow::anyhow;
use maud::html;
use plotters::coord::CoordTranslate;
use plotters::coord::ranged1d::ValueFormatter;
use plotters::element::DashedPathElement;
use plotters::prelude::*;

/// Text and axes.
const INK: RGBColor = RGBColor(1, 1, 1);
/// Lines of the mesh.
const MESH: RGBColor = RGBColor(2, 2, 2);
/// The background of the legend.
const PAPER: RGBColor = RGBColor(3, 3, 3);
/// Curves.
const CURVES: [RGBColor; 5] = [
    RGBColor(11, 0, 0),
    RGBColor(12, 0, 0),
    RGBColor(13, 0, 0),
    RGBColor(14, 0, 0),
    RGBColor(15, 0, 0),
];

/// Replaces the placeholders.
pub(super) const STYLE: &str = "\
svg [fill='#010101']{fill:var(--ink)}svg [stroke='#010101']{stroke:var(--ink)}
svg [stroke='#020202']{stroke:var(--mesh)}svg [fill='#030303']{fill:var(--paper)}
svg [fill='#0B0000']{fill:var(--c1)}svg [stroke='#0B0000']{stroke:var(--c1)}
svg [fill='#0C0000']{fill:var(--c2)}svg [stroke='#0C0000']{stroke:var(--c2)}
svg [fill='#0D0000']{fill:var(--c3)}svg [stroke='#0D0000']{stroke:var(--c3)}
svg [fill='#0E0000']{fill:var(--c4)}svg [stroke='#0E0000']{stroke:var(--c4)}
svg [fill='#0F0000']{fill:var(--c5)}svg [stroke='#0F0000']{stroke:var(--c5)}
";

const SIZE: (u32, u32) = (760, 430);
const FONT: (&str, i32) = ("sans-serif", 14);

/// How the points of a curve are drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Look {
    Line,
    Dashes,
    Dots,
    Triangles,
}

/// One series.
#[derive(Clone, Debug)]
pub(super) struct Curve {
    pub(super) label: String,
    pub(super) look: Look,
    /// Index of a colour.
    pub(super) colour: usize,
    pub(super) points: Vec<(f64, f64)>,
}

/// A plot.
#[derive(Clone, Debug)]
pub(super) struct Plot {
    /// The description for screen readers.
    pub(super) title: String,
    pub(super) x: Axis,
    pub(super) y: Axis,
    pub(super) legend: SeriesLabelPosition,
    pub(super) curves: Vec<Curve>,
}

#[derive(Clone, Debug)]
pub(super) struct Axis {
    pub(super) label: &'static str,
    pub(super) range: Range<f64>,
    pub(super) logarithmic: bool,
}

impl Plot {
    /// The drawing.
    pub(super) fn svg(&self) -> anyhow::Result<String> {
        let mut svg = String::new();
        {
            let area = SVGBackend::with_string(&mut svg, SIZE).into_drawing_area();
            let mut builder = ChartBuilder::on(&area);
            builder.margin(12).x_label_area_size(46).y_label_area_size(74);
            let (x, y) = (self.x.range.clone(), self.y.range.clone());
            match (self.x.logarithmic, self.y.logarithmic) {
                (false, false) => self.draw(builder.build_cartesian_2d(x, y)),
                (false, true) => self.draw(builder.build_cartesian_2d(x, y.log_scale())),
                (true, false) => self.draw(builder.build_cartesian_2d(x.log_scale(), y)),
                (true, true) => self.draw(builder.build_cartesian_2d(x.log_scale(), y.log_scale())),
            }?;
            area.present().map_err(|why| anyhow!("cannot draw: {why}"))?;
        }
        let title = html! { (self.title) }.into_string();
        let open = format!(
            "<svg viewBox=\"0 0 {} {}\" role=\"img\" aria-label=\"{title}\" ",
            SIZE.0, SIZE.1
        );
        Ok(svg.replacen("<svg ", &open, 1))
    }

    fn draw<'area, X, Y, E>(
        &self,
        chart: Result<ChartContext<'area, SVGBackend<'area>, Cartesian2d<X, Y>>, E>,
    ) -> anyhow::Result<()>
    where
        X: Ranged<ValueType = f64> + ValueFormatter<f64>,
        Y: Ranged<ValueType = f64> + ValueFormatter<f64>,
        Cartesian2d<X, Y>: CoordTranslate<From = (f64, f64)>,
        E: std::fmt::Display,
    {
        let wrong = |why: String| anyhow!("cannot draw: {why}");
        let mut chart = chart.map_err(|why| wrong(why.to_string()))?;
        let text = || FONT.into_font().color(&INK);
        chart
            .configure_mesh()
            .x_desc(self.x.label)
            .y_desc(self.y.label)
            .axis_style(INK)
            .bold_line_style(MESH)
            .light_line_style(TRANSPARENT)
            .label_style(text())
            .axis_desc_style(text())
            .x_label_formatter(&|value| number(*value))
            .y_label_formatter(&|value| number(*value))
            .draw()
            .map_err(|why| wrong(why.to_string()))?;
        for curve in &self.curves {
            let colour = CURVES[curve.colour % CURVES.len()];
            let points = curve.points.iter().copied();
            let thick = colour.stroke_width(2);
            let drawn = match curve.look {
                Look::Line => chart.draw_series(LineSeries::new(points, thick)),
                Look::Dashes => chart.draw_series(DashedLineSeries::new(points, 6, 5, thick)),
                Look::Dots => {
                    chart.draw_series(points.map(|point| Circle::new(point, 4, colour.filled())))
                }
                Look::Triangles => chart.draw_series(
                    points.map(|point| TriangleMarker::new(point, 6, colour.filled())),
                ),
            };
            let look = curve.look;
            drawn.map_err(|why| wrong(why.to_string()))?.label(curve.label.clone()).legend(
                move |(x, y)| match look {
                    Look::Dots => Circle::new((x + 10, y), 4, colour.filled()).into_dyn(),
                    Look::Triangles => {
                        TriangleMarker::new((x + 10, y), 6, colour.filled()).into_dyn()
                    }
                    Look::Line => {
                        PathElement::new(vec![(x, y), (x + 20, y)], colour.stroke_width(2))
                            .into_dyn()
                    }
                    Look::Dashes => {
                        let ends = vec![(x, y), (x + 20, y)].into_iter();
                        DashedPathElement::new(ends, 6, 5, thick).into_dyn()
                    }
                },
            );
        }
        chart
            .configure_series_labels()
            .position(self.legend.clone())
            .background_style(PAPER.filled())
            .border_style(MESH)
            .label_font(text())
            .margin(8)
            .draw()
            .map_err(|why| wrong(why.to_string()))
    }
}

/// The label of a value on an axis.
fn number(value: f64) -> String {
    let size = value.abs();
    if size == 0.0 {
        "0".to_owned()
    } else if size >= 1e4 {
        let exponent = size.log10().floor();
        let mantissa = value / 10_f64.powf(exponent);
        if (mantissa - 1.0).abs() < 1e-6 {
            format!("1e{exponent:.0}")
        } else {
            format!("{mantissa:.1}e{exponent:.0}")
        }
    } else if size >= 0.001 {
        let text = format!("{value:.3}");
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        format!("{value:.0e}")
    }
}

/// The erases of each sector as a map: one row for each run, one cell for each sector; more erases
/// are darker.
pub(super) fn map(title: &str, rows: &[(String, Vec<f64>)]) -> String {
    const LABEL: usize = 250;
    const ROW: usize = 30;
    let columns = rows.iter().map(|(_, cells)| cells.len()).max().unwrap_or(1).max(1);
    let width = 760;
    let cell = (width - LABEL - 10) / columns;
    let height = ROW * rows.len() + 40;
    let all = || rows.iter().flat_map(|(_, cells)| cells.iter().copied());
    let most = all().fold(f64::MIN_POSITIVE, f64::max).ln();
    let least = all().filter(|value| *value > 0.0).fold(f64::INFINITY, f64::min).ln();
    let share = |value: f64| {
        if value > 0.0 { (value.ln() - least) / (most - least).max(1e-9) } else { 0.0 }
    };
    let words = "sectors in order of address; the number is erases per 1000 updates";
    let svg = html! {
        svg viewBox={ "0 0 " (width) " " (height) } width=(width) height=(height) role="img"
            aria-label=(title) font-family="sans-serif" font-size="14" {
            @for (y, (label, cells)) in (0..).step_by(ROW).zip(rows) {
                text x=(LABEL - 10) y=(y + 20) text-anchor="end" fill="#010101" { (label) }
                @for (x, value) in (LABEL..).step_by(cell.max(1)).zip(cells) {
                    rect x=(x) y=(y + 2) width=(cell.saturating_sub(2).max(1)) height=(ROW - 4)
                        fill="#0B0000" fill-opacity=(format!("{:.3}", 0.08 + 0.72 * share(*value))) {}
                    @if cell >= 44 {
                        text x=(x + cell / 2) y=(y + 20) text-anchor="middle" fill="#010101" {
                            (number_short(*value))
                        }
                    }
                }
            }
            text x=(LABEL + (width - LABEL) / 2) y=(height - 10) text-anchor="middle"
                fill="#010101" { (words) }
        }
    };
    svg.into_string()
}

fn number_short(value: f64) -> String {
    if value >= 100.0 { format!("{value:.0}") } else { format!("{value:.2}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_on_axes() {
        for (value, text) in [
            (0.0, "0"),
            (0.25, "0.25"),
            (1.0, "1"),
            (2.5, "2.5"),
            (1000.0, "1000"),
            (10_000.0, "1e4"),
            (25_000.0, "2.5e4"),
            (0.0001, "1e-4"),
        ] {
            assert_eq!(number(value), text);
        }
    }

    #[test]
    fn a_plot_has_its_labels_and_no_external_references() {
        let axis = |label| Axis { label, range: 0.1..10.0, logarithmic: true };
        let curve = |look| Curve {
            label: "a <b>".to_owned(),
            look,
            colour: 0,
            points: vec![(0.2, 0.3), (5.0, 7.0)],
        };
        let plot = Plot {
            title: "cost & size".to_owned(),
            x: axis("sectors"),
            y: axis("reads"),
            legend: SeriesLabelPosition::UpperLeft,
            curves: vec![
                curve(Look::Line),
                curve(Look::Dashes),
                curve(Look::Dots),
                curve(Look::Triangles),
            ],
        };
        let svg = plot.svg().unwrap();
        for words in ["cost &amp; size", "sectors", "reads", "a &lt;b&gt;", "viewBox"] {
            assert!(svg.contains(words), "{words}");
        }
        assert!(!svg.contains("href") && !svg.contains("<script"));
        let map = map("wear", &[("naive".to_owned(), vec![1000.0, 0.0])]);
        assert!(map.contains("1000") && map.contains("0.00"));
    }
}
