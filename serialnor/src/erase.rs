//! Which erase commands are used.

use crate::data_sheet::DataSheet;
use crate::error::Error;
use crate::opcode;
use crate::sfdp::{EraseType, Sfdp};

/// Erase types by index, as in the tables: `None` where there is none.
pub(crate) type EraseTypes = [Option<EraseType>; 4];

/// No chip known here erases less at a time; a table that says so is wrong.
const LEAST_BYTES: u32 = 256;

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
    let mut of_types = [None; 4];
    for (opcode, erase) in of_types.iter_mut().zip(types.iter()) {
        *opcode = erase.as_ref().and_then(|erase| of_size(erase.bytes, types, source, opcodes));
    }
    for (erase, opcode) in types.iter_mut().zip(of_types) {
        *erase = erase.and_then(|erase| Some(EraseType { opcode: opcode?, ..erase }));
    }
    Ok(())
}

/// The four-byte command for a size.
fn of_size(
    bytes: u32,
    types: &EraseTypes,
    source: &EraseTypes,
    opcodes: &[Option<u8>; 4],
) -> Option<u8> {
    let listed = || {
        let pairs = source.iter().zip(opcodes);
        pairs.filter_map(|(erase, opcode)| Some((erase.as_ref()?.bytes, (*opcode)?)))
    };
    let is_used = |size: u32| types.iter().flatten().any(|erase| erase.bytes == size);
    // A command that is listed for another size too is not one for this size, unless the data sheet
    // gives the types and does not have the other one.
    let is_clear = |opcode: u8| {
        listed().all(|(size, other)| other != opcode || size == bytes || !is_used(size))
    };
    listed().find(|(size, opcode)| *size == bytes && is_clear(*opcode)).map(|(_, opcode)| opcode)
}

/// The types whose command is listed for one size only, one of each size, smallest first.
pub(crate) fn usable(types: EraseTypes) -> EraseTypes {
    let is_clear = |erase: &EraseType| {
        erase.bytes.is_power_of_two()
            && erase.bytes >= LEAST_BYTES
            && opcode::may_be_erase(erase.opcode)
            && types
                .iter()
                .flatten()
                .all(|other| other.opcode != erase.opcode || other.bytes == erase.bytes)
    };
    let mut sorted = [None; 4];
    let mut least = 0;
    for place in &mut sorted {
        *place = types
            .iter()
            .flatten()
            .filter(|erase| erase.bytes > least && is_clear(erase))
            .min_by_key(|erase| erase.bytes)
            .copied();
        least = place.map_or(u32::MAX, |erase| erase.bytes);
    }
    sorted
}
