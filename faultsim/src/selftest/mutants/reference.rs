//! The reference store as a subject, correct or with one planted mistake.

use core::ops::Range;
use std::sync::LazyLock;

use super::bug::{self, Bug, Planted};
use super::codec;
use super::store::ReferenceStore;
use crate::part::{Geometry, Part, SecondPrograms};
use crate::subject::{Bounds, KeyNames, Op, Subject, Trouble, Work};
use crate::subjects::table::changes;

/// The reference store, correct or with one planted mistake.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Reference {
    /// The mistake, if any.
    pub planted: Option<&'static Planted>,
}

/// The reference store of this name: `reference`, or `planted:` and the name of a mistake.
pub fn by_name(name: &str) -> Option<&'static Reference> {
    static ALL: LazyLock<Vec<Reference>> = LazyLock::new(|| {
        let planted = bug::ALL.iter().map(|planted| Reference { planted: Some(planted) });
        std::iter::once(Reference::default()).chain(planted).collect()
    });
    ALL.iter().find(|reference| reference.name() == name)
}

impl Reference {
    fn bug(&self) -> Option<Bug> {
        self.planted.map(|planted| planted.bug)
    }
}

impl Subject for Reference {
    type Store = ReferenceStore;

    fn name(&self) -> &'static str {
        self.planted.map_or("reference", |planted| planted.subject)
    }

    fn works_when_full(&self) -> bool {
        true
    }

    fn second_programs(&self) -> SecondPrograms {
        SecondPrograms::Refused
    }

    fn open(&self, part: &Part) -> Result<ReferenceStore, Trouble> {
        ReferenceStore::open(part, self.bug())
    }

    fn apply(&self, store: &mut ReferenceStore, op: &Op, keys: &KeyNames) -> Result<(), Trouble> {
        let owned = |(key, value): (&str, Option<&[u8]>)| {
            (key.as_bytes().to_vec(), value.map(<[u8]>::to_vec))
        };
        match op {
            Op::Clear => store.clear(),
            Op::Tidy => store.tidy(),
            _ => store.change(changes(op, keys).into_iter().map(owned).collect()),
        }
    }

    fn get(
        &self,
        store: &mut ReferenceStore,
        key: &str,
        out: &mut Vec<u8>,
    ) -> Result<bool, Trouble> {
        out.clear();
        Ok(store.get(key.as_bytes())?.map(|value| out.extend(value)).is_some())
    }

    fn list(
        &self,
        store: &mut ReferenceStore,
        each: &mut dyn FnMut(&[u8]),
    ) -> Option<Result<(), Trouble>> {
        store.keys().for_each(each);
        Some(Ok(()))
    }

    /// Worst case: a mount reads every sector once and every program back, and may move to the next
    /// sector. An operation may have to do that too, and then move once more.
    fn bounds(&self, geometry: &Geometry) -> Option<Bounds> {
        // No record is shorter than 11 bytes, and a compaction writes as many as a sector holds.
        let records = u64::from(geometry.sector_bytes / 11);
        let sectors = u64::from(geometry.sectors);
        // A planted mistake may cost a little more work without counting as a mistake for that.
        let more = if self.planted.is_some() { 6 } else { 0 };
        // Besides the copies: OUT and IN with their tags, the opening and the seal. Each is read
        // back, and the slots are read for each decision.
        let compaction = Work { reads: records + 6 + 2, programs: records + 6, erases: 1 };
        Some(Bounds {
            // A decision repeated, and a rest record.
            open: Work {
                reads: sectors + 3 + 1 + compaction.reads + more,
                programs: 3 + compaction.programs,
                erases: 1 + more,
            },
            op: Work {
                reads: 2 * compaction.reads + records + more,
                programs: 2 * compaction.programs + records,
                erases: 2 + more,
            },
        })
    }

    fn linear_check(&self, data: &[u8]) -> Option<Range<usize>> {
        codec::Codec::new(self.bug(), 0).checked_bytes(data)
    }

    fn residue(&self, data: &[u8]) -> u64 {
        codec::Codec::new(self.bug(), 0).residue(data)
    }
}

#[cfg(test)]
mod tests {
    use super::super::cases;
    use super::*;
    use crate::config::{Config, Mode, Systematic};
    use crate::explore::clock::Progress;
    use crate::history::token::Token;
    use crate::part::{Chip, Level};
    use crate::replay::replay;
    use crate::report::{Outcome, Verdict};
    use crate::run::run;
    use crate::workload::source::WorkloadSource;

    fn config(case: u8, geometry: Geometry, thin: u32) -> Config {
        let mode = Systematic {
            workload: WorkloadSource::Case(case),
            depth: 2,
            thin,
            sample: 16,
            ..Systematic::default()
        };
        Config {
            shrink: None,
            mode: Mode::Systematic(mode),
            ..Config::systematic(geometry, Level::F4)
        }
    }

    #[test]
    fn a_power_up_that_only_reads_writes_nothing() {
        let subject = Reference::default();
        let part = Part::new(Chip::new(cases::GEOMETRY));
        part.chip_mut().set_second_programs(SecondPrograms::Refused);
        let keys = KeyNames::new(["a"]);
        let put = |value: u8| Op::Put { key: 0, value: vec![value] };
        for value in 0..40 {
            let mut store = subject.open(&part).unwrap();
            subject.apply(&mut store, &put(value), &keys).unwrap();
            drop(store);
            part.chip_mut().restart();
            // This one settles, the next ones find it at rest.
            subject.open(&part).unwrap();
            for _ in 0..3 {
                part.chip_mut().restart();
                let store = subject.open(&part).unwrap();
                assert_eq!(store.get(b"a").unwrap(), Some(&[value][..]));
                assert_eq!(part.chip().step_count(), 0, "{value}");
            }
            part.chip_mut().restart();
        }
    }

    /// The complete run is that of `outlast torture --prove-rig`; this one uses other sizes of the
    /// part.
    #[test]
    fn without_a_mistake_there_is_no_alarm() {
        for (case, (sectors, bytes, page)) in
            [(0, (2, 256, 64)), (1, (3, 256, 64)), (2, (2, 384, 64)), (5, (4, 512, 64))]
        {
            let geometry = Geometry::new(sectors, bytes, 1, page).unwrap();
            let report =
                run(&config(case, geometry, 64), &Reference::default(), &Progress::default());
            assert_eq!(report.verdict, Verdict::Clean, "{case}: {:#?}", report.violations);
        }
    }

    #[test]
    fn tokens_of_planted_mistakes_replay_by_name() {
        let subject = by_name("planted:opening-suffices").unwrap();
        let config = Config { stop_at_first: true, ..config(1, cases::GEOMETRY, 64) };
        let report = run(&config, subject, &Progress::default());
        let violation = &report.violations[0];
        let token: Token = violation.token.parse().unwrap();
        assert_eq!(by_name(&token.subject), Some(subject));
        assert_eq!(replay(&token, subject).outcome, Outcome::Reproduced);
        // The store without the mistake writes other bytes, or passes.
        assert_ne!(replay(&token, &Reference::default()).outcome, Outcome::Reproduced);
        assert_eq!(by_name("planted:nothing"), None);
    }
}
