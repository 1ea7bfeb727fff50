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

/// The types whose order is that of the commands with four address bytes.
///
/// An opcode belongs to the type with the same index in the same source; types of another source
/// get it by their size.
pub(crate) fn source_of_opcodes<'a, E>(
    sheet: &'a DataSheet,
    sfdp: Option<&'a Sfdp>,
) -> Result<&'a EraseTypes, Error<E>> {
    let source = match sheet.four_byte {
        Some(_) => sheet.erase_types.as_ref(),
        None => sfdp.map(|sfdp| &sfdp.basic.erase_types),
    };
    source.ok_or(Error::UnclearEraseTypes)
}

/// Keeps the types of a size with a command that is clear, one of each size, smallest first. The
/// commands belong to the types of `source` with the same index.
pub(crate) fn set_usable(
    usable: &mut EraseTypes,
    types: &EraseTypes,
    opcodes: &[Option<u8>; 4],
    source: &EraseTypes,
) {
    // Only powers of two are sizes; after 2 GiB this is 0.
    let mut bytes = LEAST_BYTES;
    for place in usable {
        *place = None;
        while place.is_none() && bytes != 0 {
            if let Some(erase) = types.iter().flatten().find(|erase| erase.bytes == bytes) {
                let opcode = of_size(bytes, types, opcodes, source);
                *place = opcode.map(|opcode| EraseType { opcode, ..*erase });
            }
            bytes <<= 1;
        }
    }
}

/// The command for a size.
fn of_size(
    bytes: u32,
    types: &EraseTypes,
    opcodes: &[Option<u8>; 4],
    source: &EraseTypes,
) -> Option<u8> {
    let listed = || {
        let pairs = source.iter().zip(opcodes);
        pairs.filter_map(|(erase, opcode)| Some((erase.as_ref()?.bytes, (*opcode)?)))
    };
    let is_used = |size: u32| types.iter().flatten().any(|erase| erase.bytes == size);
    // A command that is listed for another size too is not one for this size, unless the data sheet
    // gives the types and does not have the other one.
    let is_clear = |opcode: u8| {
        opcode::may_be_erase(opcode)
            && listed().all(|(size, other)| other != opcode || size == bytes || !is_used(size))
    };
    listed().find(|(size, opcode)| *size == bytes && is_clear(*opcode)).map(|(_, opcode)| opcode)
}
