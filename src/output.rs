//! Standard output, which may be closed at any time, and output files.

use std::io::{self, ErrorKind, Write};
use std::path::Path;

use anyhow::{Context as _, anyhow};
use serde::Serialize;

/// Passes on what is written until the reader closes the pipe, and discards the rest. Someone who
/// reads only the first lines still wants the exit code.
#[derive(Debug)]
pub(crate) struct Output<W> {
    inner: W,
    closed: bool,
}

impl<W: Write> Output<W> {
    pub(crate) const fn new(inner: W) -> Self {
        Self { inner, closed: false }
    }

    /// Writes a finished text.
    pub(crate) fn say(&mut self, text: &str) -> anyhow::Result<()> {
        self.write_all(text.as_bytes()).and_then(|()| self.flush()).context("cannot write")
    }

    /// Writes one JSON object and a line end.
    pub(crate) fn json(&mut self, value: &impl Serialize) -> anyhow::Result<()> {
        let mut text = serde_json::to_string(value).context("cannot make JSON of it")?;
        text.push('\n');
        self.say(&text)
    }

    fn unless_closed<T>(&mut self, result: io::Result<T>, instead: T) -> io::Result<T> {
        match result {
            Err(error) if error.kind() == ErrorKind::BrokenPipe => {
                self.closed = true;
                Ok(instead)
            }
            other => other,
        }
    }
}

impl<W: Write> Write for Output<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.closed {
            return Ok(bytes.len());
        }
        let result = self.inner.write(bytes);
        self.unless_closed(result, bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        if self.closed {
            return Ok(());
        }
        let result = self.inner.flush();
        self.unless_closed(result, ())
    }
}

/// Writes a file as a whole.
pub(crate) fn write_file(path: &Path, text: &str) -> anyhow::Result<()> {
    std::fs::write(path, text)
        .map_err(|error| anyhow!("cannot write {}: {}", path.display(), why_not(path, &error)))
}

/// Why a file cannot be written: the system's error, or that its folder is missing.
pub(crate) fn why_not(path: &Path, error: &io::Error) -> String {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() && !folder.exists() => {
            format!("the folder {} does not exist", folder.display())
        }
        _ => error.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Accepts this many bytes, then fails with this error.
    struct Ends(usize, ErrorKind);

    impl Write for Ends {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            if self.0 == 0 {
                return Err(self.1.into());
            }
            let taken = bytes.len().min(self.0);
            self.0 -= taken;
            Ok(taken)
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn a_closed_pipe_is_no_error_but_a_full_disk_is() {
        let mut closed = Output::new(Ends(3, ErrorKind::BrokenPipe));
        assert!(closed.say("longer than that").is_ok());
        assert!(closed.say("and more").is_ok());
        let mut full = Output::new(Ends(3, ErrorKind::StorageFull));
        let error = full.say("longer than that").unwrap_err();
        assert!(format!("{error:#}").starts_with("cannot write: "), "{error:#}");
    }
}
