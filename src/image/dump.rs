//! Reading a dump: the store in it, what it holds, and warnings about damage.

use std::path::Path;

use outlast_image::check::{Verdict, verdict_of_file};
use outlast_image::container::{self, Container, Contents, MOST_BYTES, Segment};
use outlast_image::find::{self, NotFound, Place};
use outlast_image::flaws::Flaws;
use outlast_image::settings::Settings;
use outlast_image::store::StoreError;
use outlast_image::survey::{Kind, Survey};
use outlast_kvstore::{Error, Found};

use super::args::Dump;
use super::stop::Stop;
use super::{files, sentences};
use crate::exit::Exit;

/// A dump that was read, and the store in it.
pub(super) struct Read {
    pub(super) name: String,
    pub(super) container: Container,
    pub(super) segments: Vec<Segment>,
    pub(super) place: Place,
    /// What the file lacks by the rules of its format.
    pub(super) flaws: Flaws,
}

impl Read {
    /// The bytes of the region; fewer than it has if the dump ends early.
    pub(super) fn region(&self) -> &[u8] {
        self.place.bytes(&self.segments)
    }

    pub(super) fn is_cut(&self) -> bool {
        (self.region().len() as u64) < self.place.shape.bytes()
    }

    /// The region, if all of it is there.
    pub(super) fn whole(&self) -> Result<&[u8], Stop> {
        if self.is_cut() {
            let why = format!(
                "{}: the dump ends before the region does: it has {} of {} bytes; 'outlast image show' \
                 and 'outlast image salvage' can read what is there",
                self.name,
                self.region().len(),
                self.place.shape.bytes()
            );
            return Err(Stop::new(Exit::Damaged, why));
        }
        Ok(self.region())
    }

    /// The dump with the region replaced.
    pub(super) fn with_region(&self, region: &[u8]) -> Vec<Segment> {
        let mut segments = self.segments.clone();
        let at = self.place.offset;
        if let Some(segment) = segments.get_mut(self.place.segment)
            && let Some(old) = segment.bytes.get_mut(at..at + region.len())
        {
            old.copy_from_slice(region);
        }
        segments
    }
}

/// Reads a dump without looking for a store.
fn contents(path: &Path) -> Result<(Container, Contents), Stop> {
    // HEX needs nearly three characters a byte.
    let bytes = files::bytes(path, MOST_BYTES)?;
    let container = Container::of_contents(&bytes);
    let contents = container::read(bytes, container).map_err(|why| {
        let unit = match container {
            Container::Hex => "line ",
            Container::Uf2 => "block ",
            Container::Raw => "",
        };
        files::unreadable(path, format!("{unit}{why}"))
    })?;
    Ok((container, contents))
}

/// Reads a dump and finds the store in it.
pub(super) fn read(dump: &Dump) -> Result<Read, Stop> {
    let path = &dump.path;
    let name = path.display().to_string();
    let (container, mut contents) = contents(path)?;
    match find::region(&contents.segments, &dump.known) {
        Ok(place) => {
            find::join(&mut contents, &place);
            let flaws = Flaws::of(&contents, &place);
            Ok(Read { name, container, segments: contents.segments, place, flaws })
        }
        Err(why) => {
            let exit = match why {
                NotFound::OlderVersion | NotFound::NewerVersion => Exit::OtherVersion,
                NotFound::Several(_) | NotFound::Impossible(_) => Exit::Usage,
                _ => Exit::NotAStore,
            };
            Err(Stop::new(exit, format!("{name}: {}", not_found(&why, &contents.segments))))
        }
    }
}

fn not_found(why: &NotFound, segments: &[Segment]) -> String {
    let hint = "if you know the layout, give it with --sectors, --sector-bytes, --page, --unit, --base; \
         then 'outlast image salvage' extracts what is left";
    match why {
        NotFound::Empty => "the file is empty".to_owned(),
        NotFound::Blank => {
            "blank flash: every byte is FF. A device would make a new store here".to_owned()
        }
        NotFound::BeginsBefore => {
            "the dump begins in the middle of a region; read the region out from its first sector on"
                .to_owned()
        }
        NotFound::OlderVersion => {
            "a store of an older format version; the older version of this program that came with \
             that firmware reads it"
                .to_owned()
        }
        NotFound::NewerVersion => {
            "a store of a newer format version; use the program that came with that firmware"
                .to_owned()
        }
        NotFound::Impossible(why) => why.clone(),
        NotFound::Several(places) => {
            let places: Vec<_> = places
                .iter()
                .map(|Place { base, shape, .. }| {
                    let (sectors, bytes) = (shape.sectors, shape.sector_bytes);
                    format!(
                        "--base 0x{base:X} --sectors {sectors} --sector-bytes {bytes} ({shape})"
                    )
                })
                .collect();
            format!("more than one store; choose one: {}", places.join(", "))
        }
        NotFound::NoStore => {
            let text = |s: &Segment| {
                let start = s.bytes.get(..s.bytes.len().min(4096)).unwrap_or(&[]);
                start.iter().all(|b| matches!(b, b'\t' | b'\n' | b'\r' | 0x20..=0x7E))
            };
            if segments.iter().all(text) {
                "no store found: the file is text".to_owned()
            } else {
                format!("no store found: no sector opening can be read; {hint}")
            }
        }
    }
}

/// The types of values, if a settings file was given.
pub(super) fn types(dump: &Dump) -> Result<Settings, Stop> {
    dump.types.as_deref().map_or_else(|| Ok(Settings::default()), files::settings)
}

/// What a dump holds, with what its file lacks.
pub(super) fn survey(read: &Read) -> Result<Survey<'_>, Stop> {
    let region = read.place.shape.region(read.region());
    let region = region.ok_or_else(|| Stop::new(Exit::Usage, "no store can have this layout"))?;
    let mut survey = Survey::new(region);
    survey.add_flaws(&read.flaws);
    Ok(survey)
}

/// Warns on standard error of damage that may have lost values or left older ones; only about
/// `key`, if one is given. Returns whether there is any. What the next mount recovers is not
/// damage.
pub(super) fn warn_of_damage(read: &Read, survey: &Survey<'_>, key: Option<&[u8]>) -> bool {
    let mut damaged = false;
    for finding in &survey.findings {
        let concerns = match finding.kind {
            Kind::LiveDamaged | Kind::ValueLost => {
                key.is_none_or(|key| finding.keys.iter().any(|other| other == key))
            }
            kind => kind.may_cost_values(),
        };
        if concerns {
            eprintln!("outlast: {}: warning: {}", read.name, sentences::finding(survey, finding));
            damaged = true;
        }
    }
    damaged
}

/// The verdict on a dump.
pub(super) fn judge(read: &Read) -> Result<Verdict<'_>, Stop> {
    verdict_of_file(read.region(), &read.place.shape, &read.flaws)
        .ok_or_else(|| Stop::new(Exit::Usage, "no store can have this layout"))
}

/// An error of the store, and the exit class it leads to.
pub(super) fn refused(name: &str, error: &StoreError) -> Stop {
    let exit = match error {
        Error::NotAStore(Found::NewerFormat | Found::OlderFormat) => Exit::OtherVersion,
        Error::NotAStore(_) => Exit::NotAStore,
        Error::Full | Error::TooLarge | Error::IndexFull => Exit::DoesNotFit,
        Error::InvalidKey | Error::Layout(_) => Exit::Usage,
        _ => Exit::Damaged,
    };
    let hint = match error {
        Error::NotAStore(Found::OlderFormat) => {
            "; the older version of this program that came with that firmware reads it"
        }
        _ => "",
    };
    Stop::new(exit, format!("{name}: {error}{hint}"))
}
