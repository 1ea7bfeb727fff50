//! The verdict on an image.

use outlast_kvstore::Error;

use crate::flaws::Flaws;
use crate::mount::{MountedCopy, mount_surveyed};
use crate::shape::Shape;
use crate::store::StoreError;
use crate::survey::Survey;

/// The classes of images.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Class {
    /// Nothing was interrupted and nothing is damaged.
    Clean,
    /// An operation was interrupted; the next mount recovers everything that was acknowledged.
    Interrupted,
    /// Something fails its checks, or is missing from the dump.
    Damaged,
    /// A device finds no store here.
    NotAStore,
}

impl Class {
    /// One word.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Clean => "clean",
            Self::Interrupted => "interrupted",
            Self::Damaged => "damaged",
            Self::NotAStore => "not-a-store",
        }
    }
}

/// The verdict.
#[derive(Clone, Debug)]
pub struct Verdict<'a> {
    /// The class of the image.
    pub class: Class,
    /// What the image holds.
    pub survey: Survey<'a>,
    /// What a mount makes of it. `None` if the dump is cut short, since no device would see that.
    pub mounted: Option<Result<MountedCopy, StoreError>>,
}

impl Verdict<'_> {
    /// Whether values may be lost or older than they should be.
    #[must_use]
    pub fn may_cost_values(&self) -> bool {
        !matches!(self.mounted, Some(Ok(_))) || self.survey.may_cost_values()
    }
}

/// Judges an image. Returns `None` if no store can have this shape.
#[must_use]
pub fn verdict<'a>(bytes: &'a [u8], shape: &Shape) -> Option<Verdict<'a>> {
    verdict_of_file(bytes, shape, &Flaws::default())
}

/// Judges an image, knowing what is missing from the file it comes from.
#[must_use]
pub fn verdict_of_file<'a>(bytes: &'a [u8], shape: &Shape, flaws: &Flaws) -> Option<Verdict<'a>> {
    let mut survey = Survey::new(shape.region(bytes)?);
    survey.add_flaws(flaws);
    let whole = bytes.len() as u64 >= shape.bytes();
    let mounted = whole.then(|| mount_surveyed(bytes, shape, Some(&survey)));
    let damaged = survey.findings.iter().any(|finding| finding.kind.is_damage());
    let class = match &mounted {
        Some(Err(Error::NotAStore(_))) => Class::NotAStore,
        None if survey.is_empty() => Class::NotAStore,
        None | Some(Err(_)) => Class::Damaged,
        Some(Ok(_)) if damaged => Class::Damaged,
        // An interrupted first format mounts, but has no head.
        Some(Ok(_)) if !survey.findings.is_empty() || survey.head.is_none() => Class::Interrupted,
        Some(Ok(_)) => Class::Clean,
    };
    Some(Verdict { class, survey, mounted })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flash::Ram;
    use crate::store::Mounted;
    use crate::survey::{Kind, State};
    use outlast_kvstore::{Change, Store};

    const SHAPE: Shape = Shape::SERIAL_NOR;

    fn store() -> Mounted {
        let mut store = Mounted::open(vec![0xFF; 4 * 4096], &SHAPE).unwrap();
        store.put(b"gauge.datum", &1234_i32.to_le_bytes()).unwrap();
        store.put(b"gauge.name", b"North pier").unwrap();
        store.put(b"gauge.datum", &1240_i32.to_le_bytes()).unwrap();
        store
    }

    fn class(bytes: &[u8]) -> (Class, Vec<Kind>) {
        let verdict = verdict(bytes, &SHAPE).unwrap();
        (verdict.class, verdict.survey.findings.iter().map(|f| f.kind).collect())
    }

    fn in_words(mounted: &MountedCopy) -> String {
        let steps: Vec<String> = mounted.steps.iter().map(ToString::to_string).collect();
        steps.join("\n")
    }

    fn find(bytes: &[u8], what: &[u8]) -> usize {
        bytes.windows(what.len()).rposition(|window| window == what).unwrap()
    }

    /// The last byte of the last record of sector 0.
    fn records_end(image: &[u8]) -> usize {
        image[..4096 - 32].iter().rposition(|b| *b != 0xFF).unwrap()
    }

    #[test]
    fn an_intact_image_is_clean_and_its_mount_is_described() {
        let image = store().into_parts().0;
        let verdict = verdict(&image, &SHAPE).unwrap();
        assert_eq!(verdict.class, Class::Clean);
        let mounted = verdict.mounted.unwrap().unwrap();
        assert_eq!(mounted.values[&b"gauge.name"[..]].as_deref(), Some(&b"North pier"[..]));
        let steps = in_words(&mounted);
        assert!(steps.contains("take the page at sector 0 + 0x0200"), "{steps}");
        assert!(steps.contains("with a copy of the last record: put gauge.datum"), "{steps}");
        let history = verdict.survey.history(b"gauge.datum");
        let states = history.iter().map(|n| verdict.survey.records[*n].state);
        assert_eq!(states.collect::<Vec<_>>(), [State::Live, State::Replaced(history[0])]);
    }

    #[test]
    fn interruptions_are_no_damage() {
        // The last record lacks its end, as a torn program leaves it.
        let mut image = store().into_parts().0;
        let end = records_end(&image);
        image[end - 3..=end].fill(0xFF);
        assert_eq!(class(&image), (Class::Interrupted, vec![Kind::Torn]));
        // A batch whose commit is gone.
        let mut store = store();
        store.commit(&[Change::put("a", b"1"), Change::put("b", b"2")]).unwrap();
        let mut image = store.into_parts().0;
        let end = records_end(&image);
        image[end - 15..=end].fill(0xFF);
        let (class, kinds) = class(&image);
        assert_eq!((class, kinds), (Class::Interrupted, vec![Kind::NoCommit]));
    }

    #[test]
    fn damage_is_found_with_its_keys() {
        let image = store().into_parts().0;
        // One bit of a value, which every reading corrects.
        let mut bad = image.clone();
        bad[find(&image, b"North")] ^= 1;
        let repaired = verdict(&bad, &SHAPE).unwrap();
        assert_eq!(repaired.class, Class::Damaged);
        assert_eq!(repaired.survey.findings[0].kind, Kind::Repaired);
        assert_eq!(repaired.survey.findings[0].address as usize, find(&image, b"North"));
        let value = &repaired.mounted.unwrap().unwrap().values[&b"gauge.name"[..]];
        assert_eq!(value.as_deref(), Some(&b"North pier"[..]));
        // Two bits, of the only record of its key: the key may be wrong too, so it is not shown.
        bad[find(&image, b"North")] ^= 2;
        let unnamed = verdict(&bad, &SHAPE).unwrap();
        assert_eq!(unnamed.class, Class::Damaged);
        assert_eq!(unnamed.survey.findings[0].kind, Kind::NameDamaged);
        assert_eq!(unnamed.survey.findings[0].keys, [b"gauge.name"]);
        assert!(!unnamed.mounted.unwrap().unwrap().values.contains_key(&b"gauge.name"[..]));
        // Two bits, of a record that replaces an older one.
        let mut store = store();
        store.put(b"gauge.name", b"South pier").unwrap();
        store.put(b"gauge.datum", &1241_i32.to_le_bytes()).unwrap();
        let mut bad = store.into_parts().0;
        let at = find(&bad, b"South");
        bad[at] ^= 3;
        let replaced = verdict(&bad, &SHAPE).unwrap();
        assert_eq!(replaced.class, Class::Damaged);
        assert_eq!(replaced.survey.findings[0].kind, Kind::LiveDamaged);
        assert_eq!(replaced.survey.findings[0].keys, [b"gauge.name"]);
        assert_eq!(replaced.mounted.unwrap().unwrap().values[&b"gauge.name"[..]], None);
        // A header: the log goes on after it.
        let mut bad = image.clone();
        let at = find(&image, b"gauge.name") - 4;
        bad[at..at + 4].fill(0);
        let (class_of, kinds) = class(&bad);
        assert_eq!((class_of, kinds), (Class::Damaged, vec![Kind::Unreadable]));
        // A dump that ends early, and one of something else.
        assert_eq!(class(&image[..9000]), (Class::Damaged, vec![Kind::Missing; 2]));
        assert_eq!(class(&image[..100]), (Class::Damaged, vec![Kind::Missing; 4]));
        assert_eq!(class(&[0x5A; 4 * 4096]).0, Class::NotAStore);
    }

    #[test]
    fn a_tally_is_its_count_until_a_mount_closes_it() {
        let blank = Ram::new(vec![0xFF; 4 * 4096]);
        let mut store: Store<Ram<1>, 16> = Store::open(blank, SHAPE.layout()).unwrap();
        for n in 1..=12 {
            assert_eq!(store.tick("gauge.boots"), Ok(n));
        }
        store.put("gauge.name", b"North pier").unwrap();
        let mut image = store.into_flash().into_parts().0;
        let whole = image.clone();
        let verdict = verdict(&whole, &SHAPE).unwrap();
        assert_eq!(verdict.class, Class::Clean);
        let survey = &verdict.survey;
        let record = &survey.records[survey.live[&b"gauge.boots"[..]]].record;
        assert_eq!(*record.value, 12_u64.to_le_bytes());
        let tally = survey.region.tally(record).unwrap();
        assert_eq!((tally.ticks, tally.cells), (11, 128));
        let mounted = verdict.mounted.unwrap().unwrap();
        assert_eq!(mounted.values[&b"gauge.boots"[..]].as_deref(), Some(&*record.value));
        let steps = in_words(&mounted);
        assert!(steps.contains("write put gauge.boots at sector 0"), "{steps}");
        assert!(steps.contains(", which closes its tally at a count of 12"), "{steps}");
        // A bit of the next cell, then two bits of a later one. One would be corrected.
        let cells = survey.region.tally(record).unwrap().cells_at as usize;
        image[cells + 11] &= 0xEF;
        assert_eq!(class(&image), (Class::Interrupted, vec![Kind::TickCut]));
        image[cells + 15] &= 0x3F;
        assert_eq!(class(&image), (Class::Damaged, vec![Kind::LiveDamaged]));
    }
}
