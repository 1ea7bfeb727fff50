//! A CSV file with a header line: of settings, or of units.

use crate::tree::{Complaint, Place, complain};

/// A CSV file.
pub(crate) struct Table {
    pub(crate) names: Vec<(String, Place)>,
    pub(crate) rows: Vec<Row>,
}

pub(crate) struct Row {
    line: usize,
    cells: Vec<String>,
}

impl Row {
    pub(crate) fn cell(&self, column: usize) -> &str {
        self.cells.get(column).map_or("", String::as_str)
    }

    pub(crate) const fn place(&self, column: usize) -> Place {
        Place { line: self.line, column: column + 1 }
    }
}

impl Table {
    pub(crate) fn column(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|(other, _)| other == name)
    }

    pub(crate) fn read(text: &str) -> Result<Self, Complaint> {
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .comment(Some(b'#'))
            .from_reader(text.trim_start_matches('\u{feff}').as_bytes());
        let mut rows = Vec::new();
        for record in reader.records() {
            let record = match record {
                Ok(record) => record,
                Err(error) => {
                    let line = error.position().map_or(1, |at| at.line() as usize);
                    return complain(Place { line, column: 1 }, error.to_string());
                }
            };
            let line = record.position().map_or(1, |at| at.line() as usize);
            rows.push(Row {
                line,
                cells: record.iter().map(|cell| cell.trim().to_owned()).collect(),
            });
        }
        if rows.is_empty() {
            return complain(Place { line: 1, column: 1 }, "the file is empty");
        }
        let header = rows.remove(0);
        if let [only] = header.cells.as_slice()
            && only.contains(';')
        {
            return complain(header.place(0), "semicolons separate the columns; use commas");
        }
        let mut names: Vec<(String, Place)> = Vec::new();
        for (column, name) in header.cells.iter().enumerate() {
            if names.iter().any(|(other, _)| other == name) {
                return complain(header.place(column), format!("column '{name}' appears twice"));
            }
            names.push((name.clone(), header.place(column)));
        }
        for row in &rows {
            if row.cells.len() != names.len() {
                let (have, want) = (row.cells.len(), names.len());
                let why = format!("the line has {have} cells, the header has {want}");
                return complain(row.place(have.min(want)), why);
            }
        }
        Ok(Self { names, rows })
    }
}
