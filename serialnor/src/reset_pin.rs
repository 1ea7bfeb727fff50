//! The reset pin of the chip.

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::OutputPin;

/// How long the pin is low. From memory of data sheets: at most 10 us are needed.
const LOW_US: u32 = 1_000;
/// Until the chip takes commands again. From memory of data sheets: at most about 30 ms, after a
/// reset in the middle of an erase.
const RECOVERY_US: u32 = 40_000;

/// Resets a chip by its reset pin, which is low when it acts, and waits 40 ms for it to recover.
/// For a chip with which [`crate::SerialNor::new`] fails, because it hangs or takes commands over
/// more data lines; a driver that has started has [`crate::SerialNor::reset_by_pin`].
///
/// Caution: a program or erase in progress is torn as by a power cut. Wait for the chip first
/// ([`crate::Options::with_start_timeout_us`]), and reset it only if that fails.
///
/// # Errors
/// That of the pin.
pub fn pulse_reset<P: OutputPin>(pin: &mut P, delay: &mut impl DelayNs) -> Result<(), P::Error> {
    pin.set_low()?;
    delay.delay_us(LOW_US);
    let raised = pin.set_high();
    delay.delay_us(RECOVERY_US);
    raised
}
