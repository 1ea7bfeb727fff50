//! How long the driver waits for a program or an erase.

use crate::sfdp::{EraseType, Times};

/// No wait ends before these times, whatever the tables say: chips have been shipped whose tables
/// give far too short times (S25FL064L, DWORD 10 EE009231h instead of FF0D9231h, according to
/// vendor staff in a forum). The values are at least those of all tables in `tests/sfdp`.
pub(crate) const LEAST_PROGRAM_TIMEOUT_US: u32 = 10_000;
/// No wait is longer than this: a chip that takes longer is broken.
const MOST_TIMEOUT_US: u64 = 60_000_000;
/// Typical time of an erase where the tables give none.
const USUAL_ERASE_US: u32 = 100_000;
/// Typical time of a page program where the tables give none.
pub(crate) const USUAL_PROGRAM_US: u32 = 200;

/// The shortest timeout of an erase.
fn least_erase_timeout_us(bytes: u32) -> u64 {
    match bytes {
        0..=4096 => 1_000_000,
        4097..=32768 => 3_000_000,
        _ => 7_000_000,
    }
}

/// Typical time of an erase, in microseconds.
pub(crate) fn erase_typical_us(erase: &EraseType) -> u32 {
    erase.times.map_or(USUAL_ERASE_US, |times| limited(times.typical_us))
}

/// Longest time to wait for an erase, in microseconds.
pub(crate) fn erase_timeout_us(erase: &EraseType) -> u32 {
    let stated = erase.times.map_or(0, |times| times.maximal_us);
    limited(stated.max(least_erase_timeout_us(erase.bytes)))
}

/// Longest time to wait for a page program, in microseconds.
pub(crate) fn program_timeout_us(stated: Option<Times>) -> u32 {
    stated.map_or(0, |times| limited(times.maximal_us)).max(LEAST_PROGRAM_TIMEOUT_US)
}

/// Typical time of a page program, in microseconds.
pub(crate) fn program_typical_us(stated: Option<Times>) -> u32 {
    stated.map_or(USUAL_PROGRAM_US, |times| limited(times.typical_us))
}

fn limited(microseconds: u64) -> u32 {
    u32::try_from(microseconds.min(MOST_TIMEOUT_US)).unwrap_or(u32::MAX)
}
