//! One power cut of a history as a picture: the sectors before and after it.

use serde::{Deserialize, Serialize};

use crate::part::{Geometry, Image, Step, Tear};
use crate::subject::counted;

/// Columns of a sector map.
const COLUMNS: u32 = 64;
/// Rows of bytes shown of what a cut did, and bytes in each.
const ROWS: usize = 6;
const ROW_BYTES: u32 = 16;
/// Steps named before the cut.
const STEPS: usize = 12;
/// Scenes kept of one history: its last ones.
pub(crate) const MOST_SCENES: usize = 8;

/// A moment of a history at which the power went, or at which something was found wrong.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Scene {
    /// What happens, in words.
    pub title: String,
    /// What the interrupted operation or recovery had programmed and erased, in order. If there are
    /// many steps, only the last ones.
    pub steps: Vec<String>,
    /// Bytes that one character of a map stands for.
    pub bytes_per_column: u32,
    /// The part when the operation or recovery began, one line per sector: `.` blank, `#` data, `0`
    /// all zeros, `?` with marginal bits.
    pub before: Vec<String>,
    /// The same afterwards.
    pub after: Vec<String>,
    /// One line per sector: `^` where anything differs between the two.
    pub changed: Vec<String>,
    /// The bytes around the first difference.
    pub bytes: Vec<ByteRow>,
}

/// Some bytes of the part, in hexadecimal. A `?` after a byte says that bits of it are marginal.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ByteRow {
    /// Address of the first one.
    pub at: u32,
    /// What was there.
    pub before: String,
    /// What was to be programmed; empty if nothing was.
    pub asked: String,
    /// What is there.
    pub after: String,
}

impl Scene {
    /// The picture of an operation that turned `before` into `after`: `done` and then `step`, torn.
    pub(crate) fn new(
        title: String,
        geometry: &Geometry,
        done: &[Step],
        step: Option<&Step>,
        before: &Image,
        after: &Image,
    ) -> Self {
        let mut steps: Vec<String> = done.iter().map(Step::to_string).collect();
        if steps.len() > STEPS {
            let gone = steps.len() - STEPS;
            steps.drain(..gone);
            steps.insert(0, format!("({})", counted(gone as u64, "earlier step")));
        }
        let column = geometry.sector_bytes.div_ceil(COLUMNS).max(1);
        let cells = |image: &Image, symbol: &dyn Fn(&[u8], u32) -> char| -> Vec<String> {
            let sectors = image.bytes().chunks(geometry.sector_bytes as usize);
            let columns = |sector: u32, bytes: &[u8]| {
                let from = sector * geometry.sector_bytes;
                let ats = (from..).step_by(column as usize);
                ats.zip(bytes.chunks(column as usize))
                    .map(|(at, bytes)| symbol(bytes, at))
                    .collect()
            };
            (0..).zip(sectors).map(|(sector, bytes)| columns(sector, bytes)).collect()
        };
        let map = |image: &Image| {
            cells(image, &|bytes, at| {
                if has_marginal(image, at, column) {
                    '?'
                } else if bytes.iter().all(|byte| *byte == 0xFF) {
                    '.'
                } else if bytes.iter().all(|byte| *byte == 0) {
                    '0'
                } else {
                    '#'
                }
            })
        };
        let changed = cells(after, &|bytes, at| {
            let old = before.bytes().get(at as usize..at as usize + bytes.len());
            let marginal = |image: &Image| {
                let marginal =
                    image.marginal().iter().filter(|marginal| within(marginal.at, at, column));
                marginal.copied().collect::<Vec<_>>()
            };
            if old == Some(bytes) && marginal(before) == marginal(after) { ' ' } else { '^' }
        });
        Self {
            title,
            steps,
            bytes_per_column: column,
            before: map(before),
            after: map(after),
            changed: changed.into_iter().map(|line| line.trim_end().to_owned()).collect(),
            bytes: byte_rows(geometry, step, before, after),
        }
    }
}

/// How a torn step is put in words.
pub(crate) fn torn(tear: &Tear) -> String {
    if *tear == Tear::NOTHING { "nothing done".to_owned() } else { tear.to_string() }
}

fn within(at: u32, from: u32, len: u32) -> bool {
    at >= from && at - from < len
}

fn has_marginal(image: &Image, from: u32, len: u32) -> bool {
    let marginal = image.marginal();
    let next = marginal.partition_point(|marginal| marginal.at < from);
    marginal.get(next).is_some_and(|marginal| within(marginal.at, from, len))
}

/// Rows of bytes from the first difference on; without one, from the start of the step.
fn byte_rows(
    geometry: &Geometry,
    step: Option<&Step>,
    before: &Image,
    after: &Image,
) -> Vec<ByteRow> {
    let differ = |at: &u32| {
        let index = *at as usize;
        before.bytes().get(index) != after.bytes().get(index)
            || has_marginal(before, *at, 1) != has_marginal(after, *at, 1)
    };
    let range = step.map(|step| step.range(geometry));
    let everywhere = 0..geometry.bytes();
    let search = range.clone().unwrap_or(everywhere);
    let start = || range.map(|range| range.start);
    let Some(first) = search.clone().find(differ).or_else(start) else { return Vec::new() };
    let first = first / ROW_BYTES * ROW_BYTES;
    let rows = (first..search.end).step_by(ROW_BYTES as usize).take(ROWS);
    let hex = |image: &Image, at: u32| {
        let byte = image.bytes().get(at as usize)?;
        let marginal = if has_marginal(image, at, 1) { "?" } else { "" };
        Some(format!("{byte:02x}{marginal}"))
    };
    let asked = |at: u32| match step? {
        Step::Program { at: from, data } => {
            let index = at.checked_sub(*from)?;
            let byte = data.get(index as usize)?;
            Some(format!("{byte:02x}"))
        }
        Step::Erase { .. } => Some("ff".to_owned()),
    };
    let line = |byte: &dyn Fn(u32) -> Option<String>, at: u32| {
        let bytes = (at..at + ROW_BYTES).map(|at| byte(at).unwrap_or_else(|| "--".to_owned()));
        bytes.collect::<Vec<_>>().join(" ")
    };
    let row = |at| ByteRow {
        at,
        before: line(&|at| hex(before, at), at),
        asked: if step.is_some() { line(&asked, at) } else { String::new() },
        after: line(&|at| hex(after, at), at),
    };
    rows.map(row).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_torn_program_shows_in_map_and_bytes() {
        let geometry = Geometry::new(2, 512, 1, 256).unwrap();
        let mut before = Image::blank(&geometry);
        let done = [Step::Program { at: 0, data: vec![0; 8] }];
        before.apply(&geometry, &done[0]);
        let step = Step::Program { at: 512, data: vec![0x12, 0x34] };
        let mut after = before.clone();
        after.apply_torn(&geometry, &step, &Tear::EVERYTHING);
        let scene = Scene::new("cut".to_owned(), &geometry, &done, Some(&step), &before, &after);
        assert_eq!(scene.bytes_per_column, 8);
        assert_eq!(scene.steps, ["program@0x0000+8"]);
        assert!(scene.before[0].starts_with("0....") && scene.before[0].len() == 64);
        assert!(scene.after[1].starts_with("#...."));
        assert_eq!(scene.changed, ["", "^"]);
        let row = &scene.bytes[0];
        assert_eq!(row.at, 512);
        assert!(row.before.starts_with("ff ff ff"), "{row:?}");
        assert!(row.asked.starts_with("12 34 -- "), "{row:?}");
        assert!(row.after.starts_with("12 34 ff"), "{row:?}");
    }
}
