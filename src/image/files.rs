//! Files of the image commands: read up to a limit, written as a whole or not at all.

use std::fs::{self, File};
use std::io::{ErrorKind, Read as _, Write as _};
use std::path::{Path, PathBuf};

use outlast_image::settings::{self, Format, Settings};

use super::stop::Stop;
use crate::exit::Exit;
use crate::output::why_not;

pub(super) fn unreadable(path: &Path, why: impl std::fmt::Display) -> Stop {
    Stop::new(Exit::BadInput, format!("{}: {why}", path.display()))
}

/// Reads a file of at most `most` bytes.
pub(super) fn bytes(path: &Path, most: u64) -> Result<Vec<u8>, Stop> {
    let file = File::open(path).map_err(|error| unreadable(path, error))?;
    let size = file.metadata().map_or(0, |about| about.len());
    let mut bytes = Vec::new();
    let read = if size > most { Ok(0) } else { file.take(most + 1).read_to_end(&mut bytes) };
    read.map_err(|error| unreadable(path, error))?;
    if size > most || bytes.len() as u64 > most {
        let mib = most >> 20;
        let why = format!("larger than {mib} MiB; cut out the store's region");
        return Err(unreadable(path, why));
    }
    Ok(bytes)
}

/// Reads a text file.
pub(super) fn text(path: &Path) -> Result<String, Stop> {
    const MOST: u64 = 64 << 20;
    String::from_utf8(bytes(path, MOST)?).map_err(|_| unreadable(path, "not UTF-8 text"))
}

/// Reads a settings file.
pub(super) fn settings(path: &Path) -> Result<Settings, Stop> {
    let Some(format) = Format::of_name(&path.to_string_lossy()) else {
        return Err(unreadable(
            path,
            "the name of a settings file must end in .toml, .json or .csv",
        ));
    };
    settings::read(&text(path)?, format).map_err(|all| complaints(path, &all))
}

/// The errors in a file, one line each: `path:line:column: why`.
pub(super) fn complaints(path: &Path, all: &[outlast_image::tree::Complaint]) -> Stop {
    const MOST: usize = 20;
    let mut lines: Vec<String> =
        all.iter().take(MOST).map(|why| format!("{}:{why}", path.display())).collect();
    if all.len() > MOST {
        lines.push(format!("and {} more", all.len() - MOST));
    }
    Stop::new(Exit::BadInput, lines.join("\n  "))
}

/// Refuses to overwrite an input, whatever name it goes by.
pub(super) fn apart(output: &Path, inputs: &[&Path]) -> Result<(), Stop> {
    match inputs.iter().find(|input| is_same(output, input)) {
        Some(input) => {
            let why = format!(
                "{}: this is the input {}, which is never changed; choose another name",
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

/// Writes a file under another name first, so that it is never seen half-written. Devices and pipes
/// are written directly; links are followed.
pub(super) fn save(path: &Path, contents: &[u8], overwrite: bool) -> Result<(), Stop> {
    if !overwrite && path.exists() {
        let why = format!("{}: already exists; --force overwrites it", path.display());
        return Err(Stop::new(Exit::BadInput, why));
    }
    let written = match fs::metadata(path) {
        Ok(about) if about.is_file() => {
            fs::canonicalize(path).and_then(|path| replace(&path, contents))
        }
        Ok(_) => File::options().write(true).open(path).and_then(|mut to| to.write_all(contents)),
        // A dangling link: its target is created.
        Err(_) if path.is_symlink() => File::create(path).and_then(|mut to| to.write_all(contents)),
        Err(_) => replace(path, contents),
    };
    written.map_err(|error| {
        Stop::new(
            Exit::BadInput,
            format!("{}: cannot write: {}", path.display(), why_not(path, &error)),
        )
    })
}

fn replace(path: &Path, contents: &[u8]) -> std::io::Result<()> {
    let (part, mut file) = beside(path)?;
    let written = file.write_all(contents).and_then(|()| file.sync_all());
    written.and_then(|()| fs::rename(&part, path)).inspect_err(|_| {
        let _ = fs::remove_file(&part);
    })
}

/// A new file in the same folder, under a name that is not in use.
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
