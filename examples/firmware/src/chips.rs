//! What the driver must be told about the chips that may be fitted.
//!
//! The board was designed for a chip whose tables say everything. These are its second sources:
//! chips without tables, or with tables that leave out how to address more than 16 MiB. Each stands
//! here with what QEMU 7.2 emulates (`hw/block/m25p80.c`), and for a different form of addresses.
//! For a product, take these facts from the data sheets of the exact parts.

use outlast_serialnor::{DataSheet, EraseType, FourByte, JedecId};

const fn id(manufacturer: u8, kind: u8, size: u8) -> JedecId {
    JedecId { bank: 1, manufacturer, device: [kind, size] }
}

const SECTORS: [Option<EraseType>; 4] =
    [Some(EraseType { bytes: 4096, opcode: 0x20, times: None }), None, None, None];

/// Data sheets by ID. A chip that is not listed must have complete tables.
pub const DATA_SHEETS: &[(JedecId, DataSheet)] = &[
    // N25Q256A: tables of the first revision.
    (id(0x20, 0xBA, 0x19), DataSheet::new().with_four_byte(FourByte::Mode { write_enable: true })),
    // MX25L25635F: the same, and its mode needs no write enable.
    (id(0xC2, 0x20, 0x19), DataSheet::new().with_four_byte(FourByte::Mode { write_enable: false })),
    // IS25WP256: the emulated one has no tables.
    (
        id(0x9D, 0x70, 0x19),
        DataSheet::new()
            .with_capacity(32 << 20)
            .with_erase_types(SECTORS)
            .with_four_byte(FourByte::Mode { write_enable: false }),
    ),
    // MT25QL01G: no tables; the opcodes of its own for four address bytes.
    (
        id(0x20, 0xBA, 0x21),
        DataSheet::new()
            .with_capacity(128 << 20)
            .with_erase_types(SECTORS)
            .with_four_byte(FourByte::Opcodes { erase: [Some(0x21), None, None, None] }),
    ),
    // MX66L51235F: no tables. Only its first 16 MiB are used, so that three address bytes do.
    (
        id(0xC2, 0x20, 0x1A),
        DataSheet::new()
            .with_capacity(16 << 20)
            .with_erase_types(SECTORS)
            .with_four_byte(FourByte::Leave { write_enable: false }),
    ),
    // IS25LP128: no tables, and never more than three address bytes.
    (id(0x9D, 0x60, 0x18), DataSheet::new().with_capacity(16 << 20).with_erase_types(SECTORS)),
];
