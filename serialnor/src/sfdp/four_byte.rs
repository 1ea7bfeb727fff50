//! The 4-byte instruction table.

/// Commands that take four address bytes in every mode of the chip.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FourByteTable {
    /// Read, 13h.
    pub read: bool,
    /// Fast read with one dummy byte, 0Ch.
    pub fast_read: bool,
    /// Page program, 12h.
    pub program: bool,
    /// Erase, by the index of the basic table's erase types; `None` if the type has no such
    /// command.
    pub erase_opcodes: [Option<u8>; 4],
}

impl FourByteTable {
    pub(super) fn parse(words: [u32; 2]) -> Self {
        let [supported, opcodes] = words;
        let bytes = opcodes.to_le_bytes();
        let has = |bit: u32| supported >> bit & 1 == 1;
        let erase = |index: u32, opcode: u8| has(9 + index).then_some(opcode);
        let [e0, e1, e2, e3] = bytes;
        Self {
            read: has(0),
            fast_read: has(1),
            program: has(6),
            erase_opcodes: [erase(0, e0), erase(1, e1), erase(2, e2), erase(3, e3)],
        }
    }

    /// Whether these commands alone are enough to work with the chip.
    pub const fn is_complete(&self) -> bool {
        let [e0, e1, e2, e3] = self.erase_opcodes;
        let erases = e0.is_some() || e1.is_some() || e2.is_some() || e3.is_some();
        (self.read || self.fast_read) && self.program && erases
    }
}
