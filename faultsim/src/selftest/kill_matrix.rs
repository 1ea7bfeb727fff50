//! The kill matrix as text: planted mistakes by class of faults. It is kept in the repository, so
//! that a change of it is reviewed.

use std::fmt::Write as _;

use super::proof::{Proof, Row};
use crate::ablation::Mechanism;
use crate::part::Level;

const NAME: usize = 28;
const CELL: usize = 7;

/// Column heads, two lines high.
const HEADS: [(Mechanism, [&str; 2]); 13] = [
    (Mechanism::Between, ["be-", "tween"]),
    (Mechanism::Nested, ["nes-", "ted"]),
    (Mechanism::Later, ["la-", "ter"]),
    (Mechanism::ProgramOrder, ["prog", "order"]),
    (Mechanism::EraseOrder, ["erase", "order"]),
    (Mechanism::ProgramSubset, ["prog", "subset"]),
    (Mechanism::ErasePhase, ["erase", "phase"]),
    (Mechanism::MarginalProgram, ["marg", "prog"]),
    (Mechanism::WeakErase, ["weak", "erase"]),
    (Mechanism::PerBoot, ["per", "boot"]),
    (Mechanism::PerRead, ["per", "read"]),
    (Mechanism::Adversarial, ["adver-", "sarial"]),
    (Mechanism::Collateral, ["colla-", "teral"]),
];

impl Proof {
    /// The matrix as text. The same code gives the same text on every machine.
    pub fn matrix(&self) -> String {
        let mut text = legend(self);
        let heads = |line: usize| {
            let cells = HEADS.map(|(_, head)| format!("{:>CELL$}", head[line]));
            format!(
                "{:NAME$} {:>5}{}",
                ["", "planted"][line],
                ["low-", "est"][line],
                cells.concat()
            )
        };
        let levels =
            HEADS.map(|(mechanism, _)| format!("{:>CELL$}", mechanism.level().to_string()));
        // Writing to a string does not fail.
        let _ = writeln!(text, "{}\n{}", heads(0), heads(1));
        let _ = writeln!(text, "{:NAME$} {:>5}{}", "", "level", levels.concat());
        for row in &self.rows {
            let _ = writeln!(text, "{}", row.line());
        }
        text.push_str("\nOnly killers, each at the lowest level of the mistake:\n");
        for mechanism in Mechanism::ALL {
            let only = self.only_killed_by(mechanism);
            let _ = writeln!(text, "{:18} {}", mechanism.name(), list(&only));
        }
        text.push_str("\nSwitched off, and what then escapes:\n");
        for ablation in &self.ablations {
            let answer = if ablation.escaped { "escapes" } else { "DOES NOT ESCAPE" };
            let (mechanism, name, level) =
                (ablation.mechanism.name(), ablation.name, ablation.level);
            let _ = writeln!(text, "{mechanism:18} {name} {answer} at {level}");
        }
        text
    }

    /// The mistakes that only this mechanism of the rig shows, at their lowest level.
    fn only_killed_by(&self, mechanism: Mechanism) -> Vec<&'static str> {
        let alone = |row: &&Row| match mechanism {
            Mechanism::Between => {
                row.lowest == Some(Level::F0)
                    && !row.needs.contains(&Mechanism::Nested)
                    && !row.needs.contains(&Mechanism::Later)
            }
            _ => row.needs.contains(&mechanism),
        };
        self.rows.iter().filter(alone).map(|row| row.name).collect()
    }
}

impl Row {
    /// The row as one line of the matrix.
    pub fn line(&self) -> String {
        let lowest = self.lowest.map_or_else(|| "none".to_owned(), |level| level.to_string());
        let mut line = format!("{:NAME$} {lowest:>5}", self.name);
        for (mechanism, _) in HEADS {
            let first = self.by_class.iter().find(|(class, _)| *class == mechanism);
            let cell = match first {
                Some((_, Some(images))) => images.to_string(),
                _ => ".".to_owned(),
            };
            let _ = write!(line, "{cell:>CELL$}");
        }
        line
    }
}

fn legend(proof: &Proof) -> String {
    format!(
        "Kill matrix of the rig: planted mistake by class of faults. Made by\n\
         `outlast torture --prove-rig --write-matrix tests/kill-matrix.txt`; review every change.\n\
         The store without mistakes: {} images judged.\n\
         A number: images judged up to the first failure whose hardest class this is; what cuts\n\
         between steps show alone stands under 'between'. A dot: no failure.\n\n",
        proof.sound_images
    )
}

/// A few of the names, and the number of the others.
fn list(names: &[&str]) -> String {
    const SHOWN: usize = 4;
    match names {
        [] => "(none)".to_owned(),
        few if few.len() <= SHOWN => few.join(", "),
        many => format!("{}, and {} more", many[..SHOWN].join(", "), many.len() - SHOWN),
    }
}
