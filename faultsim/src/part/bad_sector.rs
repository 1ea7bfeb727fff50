//! A sector that goes bad: what it does from then on when it is erased or programmed.
//!
//! The state is part of the [`Image`](super::Image), so that it outlives power cuts, and an image
//! with a bad sector is never taken for one without.

use core::fmt;
use core::ops::Range;

/// How much of an operation a bad sector carries out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Effect {
    /// No cell changes.
    Nothing,
    /// The first half of the bytes is changed.
    Half,
    /// All of them are.
    Whole,
}

/// How a bad sector answers an operation.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Response {
    /// As a sound sector does.
    Works,
    /// With an error, after this much of it.
    Fails(Effect),
    /// Without an error, although only this much was done.
    Ignores(Effect),
}

/// What a bad sector does with erases and programs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct BadKind {
    /// With erases.
    pub erase: Response,
    /// With programs.
    pub program: Response,
}

const fn kind(erase: Response, program: Response) -> BadKind {
    BadKind { erase, program }
}

impl BadKind {
    /// The kinds that the rig tries. Their number in this list is part of the tokens: a new one
    /// comes last.
    pub const ALL: [Self; 10] = [
        kind(Response::Fails(Effect::Nothing), Response::Fails(Effect::Nothing)),
        kind(Response::Ignores(Effect::Nothing), Response::Works),
        kind(Response::Works, Response::Fails(Effect::Nothing)),
        kind(Response::Fails(Effect::Half), Response::Fails(Effect::Nothing)),
        kind(Response::Ignores(Effect::Half), Response::Works),
        kind(Response::Ignores(Effect::Nothing), Response::Ignores(Effect::Nothing)),
        kind(Response::Works, Response::Ignores(Effect::Nothing)),
        kind(Response::Fails(Effect::Whole), Response::Fails(Effect::Whole)),
        kind(Response::Works, Response::Ignores(Effect::Half)),
        kind(Response::Fails(Effect::Nothing), Response::Works),
    ];

    /// Its number in [`BadKind::ALL`].
    pub(crate) fn number(self) -> u32 {
        (0..)
            .zip(Self::ALL)
            .find_map(|(number, kind)| (kind == self).then_some(number))
            .unwrap_or(0)
    }
}

/// The bad sector of a part: there is at most one at a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct BadSector {
    /// What it does.
    pub kind: BadKind,
    /// Which one it is; `None` if it goes bad in an erase to come.
    pub sector: Option<u32>,
    /// How many erases come before that one.
    pub wait: u8,
}

impl BadSector {
    /// The sector of an erase to come goes bad: the next one, or after `wait` others.
    pub const fn next(kind: BadKind, wait: u8) -> Self {
        Self { kind, sector: None, wait }
    }

    /// An erase begins: its sector may go bad now.
    pub(super) const fn begin_erase(&mut self, sector: u32) {
        match self {
            Self { sector: Some(_), .. } => {}
            Self { wait: 0, .. } => self.sector = Some(sector),
            Self { wait, .. } => *wait -= 1,
        }
    }

    /// Differs between any two of them.
    pub(crate) fn number(self) -> u32 {
        let sector = self.sector.map_or_else(|| self.wait.into(), |sector| sector + 256);
        sector * BadKind::ALL.len() as u32 + self.kind.number()
    }

    /// How an erase of this sector is answered.
    pub(super) fn on_erase(&self, sector: u32) -> Response {
        match self.sector {
            Some(bad) if bad != sector => Response::Works,
            None if self.wait > 0 => Response::Works,
            _ => self.kind.erase,
        }
    }

    /// How a program in this sector is answered.
    pub(super) fn on_program(&self, sector: u32) -> Response {
        if self.sector == Some(sector) { self.kind.program } else { Response::Works }
    }
}

impl Response {
    /// Whether the part says that the operation failed.
    pub(super) const fn is_error(self) -> bool {
        matches!(self, Self::Fails(_))
    }

    /// Those of these bytes that are changed.
    pub(super) const fn reached(self, bytes: &Range<usize>) -> Range<usize> {
        let end = match self {
            Self::Works | Self::Fails(Effect::Whole) | Self::Ignores(Effect::Whole) => bytes.end,
            Self::Fails(Effect::Half) | Self::Ignores(Effect::Half) => {
                bytes.start + (bytes.end - bytes.start) / 2
            }
            Self::Fails(Effect::Nothing) | Self::Ignores(Effect::Nothing) => bytes.start,
        };
        bytes.start..end
    }

    /// Whether all bytes are changed.
    pub(super) const fn is_whole(self) -> bool {
        matches!(self, Self::Works | Self::Fails(Effect::Whole) | Self::Ignores(Effect::Whole))
    }
}

impl fmt::Display for Response {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (end, effect) = match self {
            Self::Works => return out.write_str("work"),
            Self::Fails(effect) => ("fail", effect),
            Self::Ignores(effect) => ("seem to work", effect),
        };
        let effect = match effect {
            Effect::Nothing => "without effect",
            Effect::Half => "half done",
            Effect::Whole => "when done",
        };
        write!(out, "{end} {effect}")
    }
}

impl fmt::Display for BadKind {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "erases {}, programs {}", self.erase, self.program)
    }
}

impl fmt::Display for BadSector {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.sector {
            Some(sector) => write!(out, "sector {sector} is bad: {}", self.kind),
            None if self.wait == 0 => {
                write!(out, "the next erase makes its sector bad: {}", self.kind)
            }
            None => {
                write!(out, "erase {} from here makes its sector bad: {}", self.wait + 1, self.kind)
            }
        }
    }
}

/// What becomes of the bad sector when the power goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum BadChange {
    /// It stays as it is.
    Stays,
    /// It works again.
    ComesBack,
    /// It works again, and the sector of an erase to come goes bad, after this many others.
    Next(BadKind, u8),
}

impl BadChange {
    /// The state after the change.
    pub const fn after(self, bad: Option<BadSector>) -> Option<BadSector> {
        match self {
            Self::Stays => bad,
            Self::ComesBack => None,
            Self::Next(kind, wait) => Some(BadSector::next(kind, wait)),
        }
    }

    /// For tokens.
    pub(crate) fn number(self) -> u32 {
        match self {
            Self::Stays => 0,
            Self::ComesBack => 1,
            Self::Next(kind, wait) => {
                2 + u32::from(wait) * BadKind::ALL.len() as u32 + kind.number()
            }
        }
    }

    /// The change with this number.
    pub(crate) fn numbered(number: u32) -> Option<Self> {
        Some(match number {
            0 => Self::Stays,
            1 => Self::ComesBack,
            _ => {
                let (kinds, number) = (BadKind::ALL.len(), number as usize - 2);
                Self::Next(BadKind::ALL[number % kinds], u8::try_from(number / kinds).ok()?)
            }
        })
    }
}
