//! Which erase commands are used.

use crate::data_sheet::DataSheet;
use crate::error::Error;
use crate::sfdp::{EraseType, Sfdp};

/// Erase types by index, as in the tables: `None` where there is none.
pub(crate) type EraseTypes = [Option<EraseType>; 4];

/// The erase types of the data sheet if it gives them, otherwise those of the tables. `None` if
/// there are neither.
pub(crate) fn stated<'a, E>(
    sheet: &'a DataSheet,
    sfdp: Option<&'a Sfdp>,
) -> Result<Option<&'a EraseTypes>, Error<E>> {
    match (&sheet.erase_types, sfdp) {
        (Some(types), _) => Ok(Some(types)),
        (None, Some(sfdp)) if sfdp.has_sector_map => Err(Error::UnclearEraseTypes),
        (None, sfdp) => Ok(sfdp.map(|sfdp| &sfdp.basic.erase_types)),
    }
}

/// Gives the types the commands that take four address bytes. A type of a size that has no such
/// command is left out.
///
/// An opcode belongs to the type with the same index in the same source; types of another source
/// get it by their size.
pub(crate) fn set_opcodes<E>(
    types: &mut EraseTypes,
    opcodes: &[Option<u8>; 4],
    sheet: &DataSheet,
    sfdp: Option<&Sfdp>,
) -> Result<(), Error<E>> {
    let source = match sheet.four_byte {
        Some(_) => sheet.erase_types.as_ref(),
        None => sfdp.map(|sfdp| &sfdp.basic.erase_types),
    };
    let Some(source) = source else { return Err(Error::UnclearEraseTypes) };
    for erase in types {
        *erase = erase.and_then(|erase| with_opcode_of_size(erase, source, opcodes));
    }
    Ok(())
}

/// The erase type with the four-byte command for its size.
fn with_opcode_of_size(
    erase: EraseType,
    types: &EraseTypes,
    opcodes: &[Option<u8>; 4],
) -> Option<EraseType> {
    types.iter().zip(opcodes).find_map(|(other, opcode)| {
        let opcode = other.filter(|other| other.bytes == erase.bytes).and(*opcode)?;
        Some(EraseType { opcode, ..erase })
    })
}

/// The types whose command is listed for one size only, smallest first.
pub(crate) fn usable(types: EraseTypes) -> EraseTypes {
    let is_clear = |erase: &EraseType| {
        erase.bytes.is_power_of_two()
            && types
                .iter()
                .flatten()
                .all(|other| other.opcode != erase.opcode || other.bytes == erase.bytes)
    };
    let mut sorted = types.map(|erase| erase.filter(is_clear));
    sorted.sort_unstable_by_key(|erase| erase.map_or(u32::MAX, |erase| erase.bytes));
    sorted
}
