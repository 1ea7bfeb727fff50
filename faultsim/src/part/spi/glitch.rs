//! A single disturbance of the bus between a driver and its chip.

use std::cell::Cell;
use std::rc::Rc;

use embedded_hal::spi::{ErrorType, Operation, SpiDevice};

/// What a disturbance hits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Target {
    /// A command that programs or erases.
    Write,
    /// B7h or E9h.
    AddressMode,
    /// A reading of the tables.
    Tables,
    /// A reading of the status register.
    Status,
}

/// What a disturbance does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Disturbance {
    /// The chip does not notice the transaction.
    Lost,
    /// One bit of the data is wrong, counted from the first byte after command and address, or of
    /// the answer. Data that have fewer bits are hit at another one.
    WrongBit(usize),
}

/// One disturbance: of the transaction with this number among those of its kind, from 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Glitch {
    /// The kind.
    pub target: Target,
    /// The number.
    pub number: u64,
    /// What happens to it.
    pub disturbance: Disturbance,
}

impl Target {
    const fn is_hit_by(self, opcode: u8) -> bool {
        match self {
            Self::Write => {
                matches!(opcode, 0x02 | 0x12 | 0x20 | 0x21 | 0x52 | 0x5C | 0xD8 | 0xDC)
            }
            Self::AddressMode => matches!(opcode, 0xB7 | 0xE9),
            Self::Tables => opcode == 0x5A,
            Self::Status => opcode == 0x05,
        }
    }
}

/// An SPI device with a disturbance in front of it, or with none.
#[derive(Debug)]
pub struct Glitched<SPI> {
    spi: SPI,
    glitch: Option<Glitch>,
    writes: Rc<Cell<u64>>,
    of_target: u64,
}

impl<SPI> Glitched<SPI> {
    /// Before any transaction.
    pub fn new(spi: SPI, glitch: Option<Glitch>) -> Self {
        Self { spi, glitch, writes: Rc::default(), of_target: 0 }
    }

    /// How many programs and erases were sent, counted on while the device is in use.
    pub fn writes(&self) -> Rc<Cell<u64>> {
        Rc::clone(&self.writes)
    }

    /// What happens to a transaction with this command.
    fn disturbance(&mut self, opcode: u8) -> Option<Disturbance> {
        if Target::Write.is_hit_by(opcode) {
            self.writes.set(self.writes.get() + 1);
        }
        let glitch = self.glitch.filter(|glitch| glitch.target.is_hit_by(opcode))?;
        self.of_target += 1;
        (self.of_target == glitch.number + 1).then_some(glitch.disturbance)
    }
}

fn flip(bytes: &mut [u8], bit: usize) {
    let bit = bit % (8 * bytes.len()).max(1);
    if let Some(byte) = bytes.get_mut(bit / 8) {
        *byte ^= 1 << (bit % 8);
    }
}

impl<SPI: ErrorType> ErrorType for Glitched<SPI> {
    type Error = SPI::Error;
}

impl<SPI: SpiDevice> SpiDevice for Glitched<SPI> {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), SPI::Error> {
        let opcode = match operations.first() {
            Some(Operation::Write([opcode, ..])) => *opcode,
            _ => return self.spi.transaction(operations),
        };
        match (self.disturbance(opcode), operations) {
            (Some(Disturbance::Lost), _) => Ok(()),
            (
                Some(Disturbance::WrongBit(bit)),
                [Operation::Write(head), Operation::Write(data)],
            ) => {
                let mut data = data.to_vec();
                flip(&mut data, bit);
                self.spi.transaction(&mut [Operation::Write(head), Operation::Write(&data)])
            }
            (Some(Disturbance::WrongBit(bit)), operations) => {
                self.spi.transaction(operations)?;
                if let Some(Operation::Read(out)) = operations.get_mut(1) {
                    flip(out, bit);
                }
                Ok(())
            }
            (None, operations) => self.spi.transaction(operations),
        }
    }
}
