//! Checks that the arguments of several commands share: ranges, sizes of a part, known parts.

use outlast_costs::sheet::{Sheet, bus_byte_ns};

/// Checks that a number lies in a range, both ends included.
pub(crate) fn within(option: &str, number: u32, least: u32, most: u32) -> Result<u32, String> {
    if (least..=most).contains(&number) {
        Ok(number)
    } else {
        Err(format!("{option} {number}: choose a number from {least} to {most}"))
    }
}

/// A number that may have a fraction, for the parser of arguments.
pub(crate) fn fraction(text: &str) -> Result<f64, String> {
    text.parse().map_err(|_| "give a number, like 0.5 or 10".to_owned())
}

/// Checks the program unit of a part.
pub(crate) fn program_unit(unit: u32) -> Result<u32, String> {
    if matches!(unit, 1 | 2 | 4 | 8 | 16 | 32) {
        Ok(unit)
    } else {
        Err(format!("--unit {unit}: choose 1, 2, 4, 8, 16 or 32"))
    }
}

/// Checks the page of a part with this program unit.
pub(crate) fn page_bytes(page: u32, unit: u32) -> Result<u32, String> {
    if page.is_power_of_two() && page >= unit && page <= 32 * 1024 {
        Ok(page)
    } else {
        Err(format!("--page {page}: choose a power of two from {unit} (the program unit) to 32768"))
    }
}

/// The help of an option that names a part.
pub(crate) fn part_help() -> String {
    let names = Sheet::ALL.map(|sheet| format!("{} ({})", sheet.name, sheet.source));
    format!("Take program and erase times from this part: {}", names.join("; "))
}

/// The data sheet of this name, with the bus at this clock.
pub(crate) fn sheet(name: &str, spi_mhz: u32) -> Result<Sheet, String> {
    let mut sheet = Sheet::by_name(name).ok_or_else(|| {
        let names = Sheet::ALL.map(|sheet| sheet.name).join(", ");
        format!("--part {name}: unknown; choose one of {names}")
    })?;
    sheet.timing.bus_byte_ns = bus_byte_ns(u64::from(spi_mhz) * 1_000_000);
    Ok(sheet)
}
