//! The store that the command line names.

use std::path::Path;

use outlast_faultsim::subjects::program::Program;
use outlast_faultsim::subjects::{self, AnySubject};

/// The names of the built-in stores.
pub(crate) fn names() -> String {
    subjects::ALL.map(AnySubject::name).join(", ")
}

/// A built-in store, optionally through the driver for serial chips.
pub(crate) fn built_in(name: &str, through_spi: bool) -> Result<&'static dyn AnySubject, String> {
    let subject = subjects::by_name(name)
        .ok_or_else(|| format!("--subject {name}: unknown; choose one of {}", names()))?;
    match (through_spi, subject.name() == subjects::outlast::NAME) {
        (false, _) => Ok(subject),
        (true, true) => Ok(subjects::THROUGH_SPI),
        (true, false) => {
            Err(format!("--through spi: only for --subject {}", subjects::outlast::NAME))
        }
    }
}

/// A store in a separate program.
pub(crate) fn program(path: &Path) -> Result<&'static dyn AnySubject, String> {
    let started = Program::start(path);
    let program = started.map_err(|why| format!("--program {}: {why}", path.display()))?;
    // There is one for each run of this command, and it is in use until the end.
    Ok(Box::leak(Box::new(program)))
}
