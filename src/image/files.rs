//! Files of the image commands: read with a limit, written as a whole or not at all.

use std::fs::{self, File};
use std::io::{ErrorKind, Read as _, Write as _};
use std::path::{Path, PathBuf};

use outlast_image::container::{self, Container, Contents, MOST_BYTES, Segment};
use outlast_image::find::{self, NotFound, Place};
use outlast_image::flaws::Flaws;
use outlast_image::settings::{self, Format, Settings};

use super::Stop;
use super::args::Dump;
use crate::exit::Exit;

/// A dump that was read, and the store in it.
pub(super) struct Read {
    pub(super) name: String,
    pub(super) container: Container,
    pub(super) segments: Vec<Segment>,
    pub(super) place: Place,
    /// What the file lacks by its own rules.
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
                "{}: the dump ends before the region does: {} of {} bytes are there; 'outlast image \
                 show' and 'outlast image salvage' read them",
                self.name,
                self.region().len(),
                self.place.shape.bytes()
            );
            return Err(Stop::new(Exit::Damaged, why));
        }
        Ok(self.region())
    }

    /// The dump with another region in it.
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

fn unreadable(path: &Path, why: impl std::fmt::Display) -> Stop {
    Stop::new(Exit::BadInput, format!("{}: {why}", path.display()))
}

/// Reads a file of at most `most` bytes.
fn bytes(path: &Path, most: u64) -> Result<Vec<u8>, Stop> {
    let file = File::open(path).map_err(|error| unreadable(path, error))?;
    let said = file.metadata().map_or(0, |about| about.len());
    let mut bytes = Vec::new();
    let read = if said > most { Ok(0) } else { file.take(most + 1).read_to_end(&mut bytes) };
    read.map_err(|error| unreadable(path, error))?;
    if said > most || bytes.len() as u64 > most {
        let mib = most >> 20;
        let why = format!("larger than {mib} MiB; cut out the part that holds the store's region");
        return Err(unreadable(path, why));
    }
    Ok(bytes)
}

/// Reads a dump without looking for a store.
fn contents(path: &Path) -> Result<(Container, Contents), Stop> {
    // HEX needs nearly three characters a byte.
    let bytes = bytes(path, MOST_BYTES)?;
    let container = Container::of_contents(&bytes);
    let contents = container::read(bytes, container).map_err(|why| {
        let unit = match container {
            Container::Hex => "line ",
            Container::Uf2 => "block ",
            Container::Raw => "",
        };
        unreadable(path, format!("{unit}{why}"))
    })?;
    Ok((container, contents))
}

/// Reads a dump and finds the store in it.
pub(super) fn dump(dump: &Dump) -> Result<Read, Stop> {
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
                NotFound::OtherVersion => Exit::OtherVersion,
                NotFound::Several(_) | NotFound::Impossible(_) => Exit::Usage,
                _ => Exit::NotAStore,
            };
            Err(Stop::new(exit, format!("{name}: {}", not_found(&why, &contents.segments))))
        }
    }
}

fn not_found(why: &NotFound, segments: &[Segment]) -> String {
    let hint = "if you know the layout, tell it: --sectors, --sector-bytes, --page, --unit, --base";
    match why {
        NotFound::Empty => "the file is empty".to_owned(),
        NotFound::Blank => {
            "blank flash: every byte is FF. A device makes a new store there".to_owned()
        }
        NotFound::BeginsBefore => {
            "the dump begins in the middle of a region: read it out from its first sector on"
                .to_owned()
        }
        NotFound::OtherVersion => {
            "a store of another format version: use the program that came with that firmware"
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
                "no store in it: the file is text".to_owned()
            } else {
                format!("no store in it: no start of a sector can be read; {hint}")
            }
        }
    }
}

/// Reads a text file.
pub(super) fn text(path: &Path) -> Result<String, Stop> {
    const MOST: u64 = 64 << 20;
    String::from_utf8(bytes(path, MOST)?).map_err(|_| unreadable(path, "not UTF-8 text"))
}

/// Reads a settings file.
pub(super) fn settings(path: &Path) -> Result<Settings, Stop> {
    let Some(format) = Format::of_name(&path.to_string_lossy()) else {
        return Err(unreadable(path, "a settings file ends in .toml, .json or .csv"));
    };
    settings::read(&text(path)?, format).map_err(|all| complaints(path, &all))
}

/// What is wrong with a file, a line each: `path:line:column: why`.
pub(super) fn complaints(path: &Path, all: &[outlast_image::tree::Complaint]) -> Stop {
    const MOST: usize = 20;
    let mut lines: Vec<String> =
        all.iter().take(MOST).map(|why| format!("{}:{why}", path.display())).collect();
    if all.len() > MOST {
        lines.push(format!("and {} more", all.len() - MOST));
    }
    Stop::new(Exit::BadInput, lines.join("\n  "))
}

/// Refuses to write over what is read, whatever name it goes by.
pub(super) fn apart(output: &Path, inputs: &[&Path]) -> Result<(), Stop> {
    match inputs.iter().find(|input| is_same(output, input)) {
        Some(input) => {
            let why = format!(
                "{}: this is {}, which is only read; choose another name",
                output.display(),
                input.display()
            );
            Err(Stop::new(Exit::Usage, why))
        }
        None => Ok(()),
    }
}

fn is_same(one: &Path, two: &Path) -> bool {
    #[cfg(unix)]
    {
        use std::os::unix::fs::MetadataExt as _;
        // Hard links too.
        let node = |path| fs::metadata(path).map(|about| (about.dev(), about.ino())).ok();
        node(one).is_some_and(|one| node(two) == Some(one))
    }
    #[cfg(not(unix))]
    {
        let real = |path| fs::canonicalize(path).ok();
        real(one).is_some_and(|one| real(two) == Some(one))
    }
}

/// Writes a file: under another name first, so that it is never seen half-written. What is no plain
/// file, a device or a pipe, is written to as it is; links are followed.
pub(super) fn save(path: &Path, contents: &[u8], overwrite: bool) -> Result<(), Stop> {
    if !overwrite && path.exists() {
        let why = format!("{}: exists already; --force overwrites it", path.display());
        return Err(Stop::new(Exit::BadInput, why));
    }
    let written = match fs::metadata(path) {
        Ok(about) if about.is_file() => {
            fs::canonicalize(path).and_then(|path| replace(&path, contents))
        }
        Ok(_) => File::options().write(true).open(path).and_then(|mut to| to.write_all(contents)),
        // A link to nowhere: what it names is made.
        Err(_) if path.is_symlink() => File::create(path).and_then(|mut to| to.write_all(contents)),
        Err(_) => replace(path, contents),
    };
    written.map_err(|error| {
        Stop::new(Exit::BadInput, format!("{}: cannot write: {error}", path.display()))
    })
}

fn replace(path: &Path, contents: &[u8]) -> std::io::Result<()> {
    let (part, mut file) = beside(path)?;
    let written = file.write_all(contents).and_then(|()| file.sync_all());
    written.and_then(|()| fs::rename(&part, path)).inspect_err(|_| {
        let _ = fs::remove_file(&part);
    })
}

/// A new file in the same folder, under a name that nobody has.
fn beside(path: &Path) -> std::io::Result<(PathBuf, File)> {
    for number in 0_u32.. {
        let mut name = path.file_name().unwrap_or_default().to_owned();
        name.push(format!(".{}-{number}.part", std::process::id()));
        let part = path.with_file_name(name);
        match File::create_new(&part) {
            Err(error) if error.kind() == ErrorKind::AlreadyExists => {}
            made => return made.map(|file| (part, file)),
        }
    }
    Err(ErrorKind::AlreadyExists.into())
}
