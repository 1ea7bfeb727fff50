//! What a start that failed gives back.

use core::fmt;

use embedded_hal::spi::ErrorType;

use crate::error::Error;
use crate::id::JedecId;

/// Why the driver did not start, together with everything it was given, so that it can be started
/// again: with other options, after a reset of the chip, or later.
pub struct NotStarted<SPI: ErrorType, D> {
    /// Why.
    pub error: Error<SPI::Error>,
    /// The bus.
    pub spi: SPI,
    /// The delay.
    pub delay: D,
    /// The chip's answer to "read ID", if the start came that far.
    pub id: Option<JedecId>,
}

impl<SPI: ErrorType, D> fmt::Debug for NotStarted<SPI, D> {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.debug_struct("NotStarted")
            .field("error", &self.error)
            .field("id", &self.id)
            .finish_non_exhaustive()
    }
}

impl<SPI: ErrorType, D> fmt::Display for NotStarted<SPI, D> {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.error.fmt(out)?;
        match self.id {
            Some(id) => write!(out, " (chip {id})"),
            None => Ok(()),
        }
    }
}

impl<SPI: ErrorType, D> core::error::Error for NotStarted<SPI, D> {}

impl<SPI: ErrorType, D> From<NotStarted<SPI, D>> for Error<SPI::Error> {
    fn from(not_started: NotStarted<SPI, D>) -> Self {
        not_started.error
    }
}
