//! Checks that the arguments of several commands share: ranges, sizes of a part, known parts.

use std::num::IntErrorKind;

use outlast_costs::sheet::{Sheet, bus_byte_ns};

/// Checks that a number lies in a range, both ends included.
pub(crate) fn within(option: &str, number: u32, least: u32, most: u32) -> Result<u32, String> {
    if (least..=most).contains(&number) {
        Ok(number)
    } else {
        Err(format!("{option} {number}: choose a number from {least} to {most}"))
    }
}

/// A whole number, decimal or with `0x`, for the parser of arguments; `_` may separate digits.
pub(crate) fn whole<T: TryFrom<u64>>(text: &str) -> Result<T, String> {
    let digits = text.replace('_', "");
    let number = match digits.strip_prefix("0x") {
        Some(digits) => u64::from_str_radix(digits, 16),
        None => digits.parse(),
    };
    match number.map(T::try_from) {
        Ok(Ok(number)) => Ok(number),
        Err(error) if *error.kind() != IntErrorKind::PosOverflow => {
            Err("give a whole number, like 4096 or 0x1000".to_owned())
        }
        Ok(Err(_)) | Err(_) => Err("the number is too large".to_owned()),
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whole_numbers() {
        assert_eq!(whole::<u32>("0x10_0000"), Ok(1 << 20));
        assert_eq!(whole::<u64>("3000000"), Ok(3_000_000));
        for (text, why) in [
            ("1e6", "like 4096"),
            ("-1", "like 4096"),
            ("", "like 4096"),
            ("99999999999", "too large"),
        ] {
            assert!(whole::<u32>(text).unwrap_err().contains(why), "{text}");
        }
    }
}
