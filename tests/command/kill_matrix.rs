//! The kill matrix in the repository is the reviewed one: rows that are measured again must be
//! identical. `outlast torture --prove-rig` compares all of it; here, with little optimisation, a
//! few rows of different levels stand for the others.

use outlast_faultsim::selftest::mutants::bug::{ALL, by_name};
use outlast_faultsim::selftest::row;

const REVIEWED: &str = include_str!("../kill-matrix.txt");

fn reviewed(name: &str) -> &'static str {
    let is_row = |line: &&str| {
        let mut words = line.split_whitespace();
        words.next() == Some(name) && words.next().is_some_and(|level| level.starts_with('F'))
    };
    REVIEWED.lines().find(is_row).unwrap_or_else(|| panic!("no row for {name}"))
}

#[test]
fn every_planted_mistake_has_a_row_at_its_level() {
    for planted in ALL {
        let level = reviewed(planted.name).split_whitespace().nth(1);
        assert_eq!(level, Some(planted.level.to_string().as_str()), "{}", planted.name);
    }
}

#[test]
fn rows_measured_again_are_the_reviewed_ones() {
    for name in ["erases-old-first", "equal-sequence", "crc-alone"] {
        let row = row(by_name(name).unwrap());
        assert_eq!(row.line(), reviewed(name), "see 'outlast torture --prove-rig'");
    }
}
