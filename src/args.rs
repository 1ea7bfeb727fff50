//! What the arguments of several commands have in common: ranges, sizes of a part, known parts.

use outlast_costs::sheet::{Sheet, bus_byte_ns};

/// A number in a range, which ends are allowed.
pub(crate) fn within(option: &str, number: u32, least: u32, most: u32) -> Result<u32, String> {
    if (least..=most).contains(&number) {
        Ok(number)
    } else {
        Err(format!("{option} {number}: choose a number from {least} to {most}"))
    }
}

/// The program unit of a part.
pub(crate) fn program_unit(unit: u32) -> Result<u32, String> {
    if matches!(unit, 1 | 2 | 4 | 8 | 16 | 32) {
        Ok(unit)
    } else {
        Err(format!("--unit {unit}: choose 1, 2, 4, 8, 16 or 32"))
    }
}

/// The page of a part with this program unit.
pub(crate) fn page_bytes(page: u32, unit: u32) -> Result<u32, String> {
    if page.is_power_of_two() && page >= unit && page <= 32 * 1024 {
        Ok(page)
    } else {
        Err(format!("--page {page}: choose a power of two from {unit} (the program unit) to 32768"))
    }
}

/// Help for an option that names a part.
pub(crate) fn part_help() -> String {
    let names = Sheet::ALL.map(|sheet| format!("{} ({})", sheet.name, sheet.source));
    format!("Program and erase times of this part: {}", names.join("; "))
}

/// The part of this name with the bus at this clock.
pub(crate) fn sheet(name: &str, spi_mhz: u32) -> Result<Sheet, String> {
    let mut sheet = Sheet::by_name(name).ok_or_else(|| {
        let names = Sheet::ALL.map(|sheet| sheet.name).join(", ");
        format!("--part {name}: unknown; choose one of {names}")
    })?;
    sheet.timing.bus_byte_ns = bus_byte_ns(u64::from(spi_mhz) * 1_000_000);
    Ok(sheet)
}
