//! A failing history as one short word to copy and paste.
//!
//! Layout: `cut2-` and, in base 32 (RFC 4648, lower case, no padding), a CRC-32 and the fields
//! in the order of [`Token`]. Numbers are in base 128, low digits first, the top bit set on all
//! but the last.

use std::fmt::Write as _;

use super::path::{CutPick, Path};
use super::power_cycle::{KeptCycle, LifeChoices, Tearing};
use crate::check::finding::Breach;
use crate::check::reading::BiasPick;
use crate::checksum::crc32;
use crate::part::{Geometry, Level};
use crate::report::scene::Scene;
use crate::workload::edge::{OpSequence, Start};
use crate::workload::source::WorkloadSource;

const PREFIX: &str = "cut2-";
/// Of tokens from before the lists of tears changed.
const OLD_PREFIX: &str = "cut1-";
/// What a token may ask for: no run worth a token is larger, and memory has an end.
const MOST_OPS: u32 = 1 << 20;
const MOST_BYTES: u32 = 1 << 26;
/// Among the kinds of workload; 3 are random lives.
const CASE: u64 = 4;
const COUNTERS: u64 = 5;
const EDGE: u64 = 6;
const DIGITS: &[u8; 32] = b"abcdefghijklmnopqrstuvwxyz234567";

/// Everything that is needed to run one history again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Token {
    /// Name of the storage code.
    pub subject: String,
    /// Sizes of the part.
    pub geometry: Geometry,
    /// Fault level the tears are taken from.
    pub level: Level,
    /// Seed of everything drawn at random.
    pub seed: u64,
    /// What went wrong.
    pub breach: Breach,
    pub(crate) origin: Origin,
}

/// The choices of a history.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Origin {
    Systematic {
        source: WorkloadSource,
        /// What is left of the workload if it was made smaller.
        kept: Option<Kept>,
        thin: u32,
        path: Path,
        /// Of the image after the last cut.
        digest: u16,
    },
    Random(LifeChoices),
}

/// What is left of a workload that was made smaller.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Kept {
    /// Operations left of prelude and explored ones, by index; all of them explored then.
    pub(crate) ops: Vec<u32>,
    /// Longer values are cut short.
    pub(crate) most_value: u32,
    /// The part that the workload was made for, if the one of the token is smaller.
    pub(crate) made_for: Option<Geometry>,
    /// A setting whose values are made longer, so that few of them fill what took many.
    pub(crate) longer: Option<Longer>,
}

/// Least length of what is written to a setting; no value at all stays none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Longer {
    pub(crate) key: u16,
    pub(crate) bytes: u32,
}

impl Longer {
    /// Whether so many operations with such values take no more memory than a part may.
    pub(crate) fn is_possible(self, ops: usize) -> bool {
        ops as u64 * u64::from(self.bytes) <= u64::from(MOST_BYTES)
    }
}

/// Why a text is no token.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum TokenError {
    /// It does not begin like one.
    NoToken,
    /// A character is wrong or missing.
    Damaged,
    /// It is intact but means nothing to this version.
    Unknown,
}

impl std::fmt::Display for TokenError {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NoToken => write!(formatter, "a token begins with '{PREFIX}'"),
            Self::Damaged => formatter.write_str("the token is damaged: check that it is whole"),
            Self::Unknown => formatter.write_str("the token was made by another version"),
        }
    }
}

impl std::error::Error for TokenError {}

/// What became of a history when it was run again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Replay {
    /// The result in one word.
    pub outcome: Outcome,
    /// What is wrong now, or why the history could not be followed; empty if nothing is wrong.
    pub sentence: String,
    /// The operations, one line each.
    pub operations: Vec<String>,
    /// Where the power goes and how the part is left, one line per cut.
    pub cut_points: Vec<String>,
    /// The last cuts as pictures, and the part when something was found wrong.
    pub scenes: Vec<Scene>,
}

/// The result of running a history again.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// It fails in the way it did.
    Reproduced,
    /// Same operations, same cuts, same image: and nothing is wrong.
    PassesNow,
    /// The code writes other things now, so the history is not the one recorded; or it fails in
    /// another way.
    Diverged,
}

/// Index of an element of a short list.
fn place<T: PartialEq>(list: &[T], wanted: &T) -> u64 {
    list.iter().position(|known| known == wanted).unwrap_or(0) as u64
}

#[derive(Default)]
struct Writer(Vec<u8>);

impl Writer {
    fn number(&mut self, mut number: u64) {
        loop {
            let [low, ..] = number.to_le_bytes();
            number >>= 7;
            if number == 0 {
                self.0.push(low & 0x7F);
                return;
            }
            self.0.push(low | 0x80);
        }
    }

    fn geometry(&mut self, geometry: &Geometry) {
        let Geometry { sectors, sector_bytes, unit, page } = *geometry;
        [sectors, sector_bytes, unit, page].iter().for_each(|&size| self.number(size.into()));
    }

    fn list<T>(&mut self, list: &[T], mut each: impl FnMut(&mut Self, &T)) {
        self.number(list.len() as u64);
        list.iter().for_each(|item| each(self, item));
    }

    /// Ascending numbers as runs: how many are passed over, how many follow.
    fn runs(&mut self, ascending: &[u32]) {
        let mut runs: Vec<(u32, u32)> = Vec::new();
        let mut next = 0;
        for &number in ascending {
            match runs.last_mut() {
                Some(run) if number == next => run.1 += 1,
                _ => runs.push((number - next, 1)),
            }
            next = number + 1;
        }
        self.list(&runs, |writer, &(gap, len)| {
            writer.number(gap.into());
            writer.number(len.into());
        });
    }
}

struct Reader<'bytes>(&'bytes [u8]);

impl Reader<'_> {
    fn number(&mut self) -> Option<u64> {
        let mut number = 0_u64;
        for shift in (0..64).step_by(7) {
            let (&byte, rest) = self.0.split_first()?;
            self.0 = rest;
            let digit = u64::from(byte & 0x7F);
            if shift == 63 && digit > 1 {
                return None;
            }
            number |= digit << shift;
            if byte & 0x80 == 0 {
                return Some(number);
            }
        }
        None
    }

    fn small(&mut self) -> Option<u32> {
        u32::try_from(self.number()?).ok()
    }

    fn geometry(&mut self) -> Option<Geometry> {
        let (sectors, sector_bytes) = (self.small()?, self.small()?);
        let geometry = Geometry::new(sectors, sector_bytes, self.small()?, self.small()?).ok()?;
        (geometry.bytes() <= MOST_BYTES).then_some(geometry)
    }

    fn longer(&mut self) -> Option<Longer> {
        let (key, bytes) = (u16::try_from(self.number()?).ok()?, self.small()?);
        Some(Longer { key, bytes })
    }

    fn pick<T: Copy>(&mut self, list: &[T]) -> Option<T> {
        list.get(usize::try_from(self.number()?).ok()?).copied()
    }

    fn list<T>(&mut self, mut each: impl FnMut(&mut Self) -> Option<T>) -> Option<Vec<T>> {
        let len = self.number()?;
        (0..len).map(|_| each(self)).collect()
    }

    /// A number of operations.
    fn ops(&mut self) -> Option<u32> {
        self.small().filter(|&ops| ops <= MOST_OPS)
    }

    fn runs(&mut self) -> Option<Vec<u32>> {
        let mut numbers = Vec::new();
        let mut next = 0_u32;
        for (gap, len) in self.list(|reader| Some((reader.small()?, reader.small()?)))? {
            let start = next.checked_add(gap)?;
            next = start.checked_add(len)?;
            if numbers.len() + len as usize > MOST_OPS as usize {
                return None;
            }
            numbers.extend(start..next);
        }
        Some(numbers)
    }
}

impl Token {
    fn bytes(&self) -> Vec<u8> {
        let mut out = Writer::default();
        out.list(self.subject.as_bytes(), |out, &byte| out.0.push(byte));
        out.geometry(&self.geometry);
        out.number(place(&Level::ALL, &self.level));
        out.number(self.seed);
        out.number(place(&Breach::ALL, &self.breach));
        match &self.origin {
            Origin::Systematic { source, kept, thin, path, digest } => {
                let (kind, seed, ops) = match *source {
                    WorkloadSource::TideGauge => (0, 0, 0),
                    WorkloadSource::Random { seed, ops } => (1, seed, ops),
                    WorkloadSource::Full { seed, ops } => (2, seed, ops),
                    WorkloadSource::Counters { seed, ops } => (COUNTERS, seed, ops),
                    WorkloadSource::Case(number) => (CASE, number.into(), 0),
                    WorkloadSource::Edge { .. } => (EDGE, 0, 0),
                };
                out.number(kind << 1 | u64::from(kept.is_some()));
                if let WorkloadSource::Edge { start, filler, ops } = *source {
                    out.number(place(&Start::ALL, &start));
                    out.number(filler.into());
                    out.list(ops.as_slice(), |out, &op| out.number(op.into()));
                } else if kind == CASE {
                    out.number(seed);
                } else if kind > 0 {
                    out.number(seed);
                    out.number(ops.into());
                }
                if let Some(Kept { ops, most_value, made_for, longer }) = kept {
                    out.runs(ops);
                    // "No limit" is the usual case and takes one byte.
                    out.number(most_value.wrapping_add(1).into());
                    out.number(u64::from(made_for.is_some()) | u64::from(longer.is_some()) << 1);
                    if let Some(made_for) = made_for {
                        out.geometry(made_for);
                    }
                    if let Some(Longer { key, bytes }) = longer {
                        out.number((*key).into());
                        out.number((*bytes).into());
                    }
                }
                out.number((*thin).into());
                out.list(&path.cuts, |out, cut| {
                    out.number(place(&BiasPick::ALL, &cut.bias));
                    out.number(cut.step.into());
                    out.number(cut.tear.into());
                });
                out.number(place(&BiasPick::ALL, &path.last));
                out.0.extend(digest.to_le_bytes());
            }
            Origin::Random(LifeChoices { run, power_ups, in_a_row, kept }) => {
                out.number(3 << 1 | u64::from(kept.is_some()));
                out.number(*run);
                out.number((*power_ups).into());
                // "No limit" is the usual case and takes one byte.
                out.number(in_a_row.wrapping_add(1).into());
                if let Some(kept) = kept {
                    let cycles: Vec<u32> = kept.iter().map(|cycle| cycle.number).collect();
                    out.runs(&cycles);
                    for cycle in kept {
                        out.number(cycle.ops.into());
                        out.number(place(&Tearing::ALL, &cycle.tearing));
                        out.number(cycle.bias.map_or(0, |bias| 1 + place(&BiasPick::ALL, &bias)));
                        out.number(cycle.step.map_or(0, |step| 1 + u64::from(step)));
                    }
                }
            }
        }
        out.0
    }

    fn parse(bytes: &[u8]) -> Option<Self> {
        let mut from = Reader(bytes);
        let name = from.list(|from| u8::try_from(from.number()?).ok())?;
        let subject = String::from_utf8(name).ok()?;
        let geometry = from.geometry()?;
        let level = from.pick(&Level::ALL)?;
        let seed = from.number()?;
        let breach = from.pick(&Breach::ALL)?;
        let kind = from.number()?;
        let has_kept = kind & 1 == 1;
        let origin = match kind >> 1 {
            kind @ (0..=2 | COUNTERS | CASE | EDGE) => {
                let source = match kind {
                    CASE => WorkloadSource::Case(u8::try_from(from.number()?).ok()?),
                    EDGE => {
                        let (start, filler) = (from.pick(&Start::ALL)?, from.small()?);
                        let ops = from.list(|from| u8::try_from(from.number()?).ok())?;
                        // A longer value could not be written, but would take memory.
                        if filler > MOST_BYTES {
                            return None;
                        }
                        let ops = OpSequence::new(&ops)?;
                        WorkloadSource::Edge { start, filler, ops }
                    }
                    0 => WorkloadSource::TideGauge,
                    1 => WorkloadSource::Random { seed: from.number()?, ops: from.ops()? },
                    2 => WorkloadSource::Full { seed: from.number()?, ops: from.ops()? },
                    _ => WorkloadSource::Counters { seed: from.number()?, ops: from.ops()? },
                };
                let kept = if has_kept {
                    let (ops, most_value) = (from.runs()?, from.small()?.wrapping_sub(1));
                    let has = from.number().filter(|has| *has < 4)?;
                    let made_for = if has & 1 == 1 { Some(from.geometry()?) } else { None };
                    let longer = if has >> 1 == 1 {
                        Some(from.longer().filter(|longer| longer.is_possible(ops.len()))?)
                    } else {
                        None
                    };
                    Some(Kept { ops, most_value, made_for, longer })
                } else {
                    None
                };
                let thin = from.small()?;
                let cuts = from.list(|from| {
                    let bias = from.pick(&BiasPick::ALL)?;
                    Some(CutPick { bias, step: from.small()?, tear: from.small()? })
                })?;
                let last = from.pick(&BiasPick::ALL)?;
                let (&digest, rest) = from.0.split_first_chunk()?;
                from.0 = rest;
                let digest = u16::from_le_bytes(digest);
                let path = Path { cuts, last };
                Origin::Systematic { source, kept, thin, path, digest }
            }
            3 => {
                let (run, power_ups) = (from.number()?, from.small()?);
                let in_a_row = from.small()?.wrapping_sub(1);
                let kept = if has_kept {
                    let cycles = from.runs()?;
                    let kept = cycles.into_iter().map(|cycle| {
                        let ops = from.small()?;
                        let tearing = from.pick(&Tearing::ALL)?;
                        let bias = match from.number()?.checked_sub(1) {
                            None => None,
                            Some(index) => Some(*BiasPick::ALL.get(usize::try_from(index).ok()?)?),
                        };
                        let step = from.small()?.checked_sub(1);
                        Some(KeptCycle { number: cycle, ops, tearing, bias, step })
                    });
                    Some(kept.collect::<Option<Vec<_>>>()?)
                } else {
                    None
                };
                Origin::Random(LifeChoices { run, power_ups, in_a_row, kept })
            }
            _ => return None,
        };
        from.0.is_empty().then_some(Self { subject, geometry, level, seed, breach, origin })
    }
}

impl std::fmt::Display for Token {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let body = self.bytes();
        let mut bytes = crc32(body.iter().copied()).to_le_bytes().to_vec();
        bytes.extend(body);
        formatter.write_str(PREFIX)?;
        for group in bytes.chunks(5) {
            let mut word = [0; 8];
            word[3..3 + group.len()].copy_from_slice(group);
            let word = u64::from_be_bytes(word);
            for digit in 0..(group.len() * 8).div_ceil(5) {
                let value = word >> (35 - 5 * digit) & 31;
                formatter.write_char(char::from(DIGITS[value as usize]))?;
            }
        }
        Ok(())
    }
}

impl std::str::FromStr for Token {
    type Err = TokenError;

    fn from_str(text: &str) -> Result<Self, TokenError> {
        let text = text.trim();
        if text.starts_with(OLD_PREFIX) {
            return Err(TokenError::Unknown);
        }
        let digits = text.strip_prefix(PREFIX).ok_or(TokenError::NoToken)?;
        let mut bytes = Vec::with_capacity(digits.len() * 5 / 8);
        let (mut word, mut bits) = (0_u32, 0);
        for digit in digits.bytes() {
            let digit = digit.to_ascii_lowercase();
            let value = DIGITS.iter().position(|&known| known == digit);
            let value = value.and_then(|value| u32::try_from(value).ok());
            word = word << 5 | value.ok_or(TokenError::Damaged)?;
            bits += 5;
            if bits >= 8 {
                bits -= 8;
                bytes.push((word >> bits).to_le_bytes()[0]);
                word &= (1 << bits) - 1;
            }
        }
        let (sum, body) = bytes.split_first_chunk().ok_or(TokenError::Damaged)?;
        if crc32(body.iter().copied()) != u32::from_le_bytes(*sum) || word != 0 || bits >= 5 {
            return Err(TokenError::Damaged);
        }
        Self::parse(body).ok_or(TokenError::Unknown)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn tokens() -> Vec<Token> {
        let cut = |bias, step, tear| CutPick { bias, step, tear };
        let cuts = vec![cut(BiasPick::Stored, 70, 1), cut(BiasPick::Flicker, 3, 900)];
        let path = Path { cuts, last: BiasPick::Ones };
        let cycle = KeptCycle {
            number: 3,
            ops: 0b101,
            tearing: Tearing::Everything,
            bias: Some(BiasPick::Stored),
            step: Some(0),
        };
        let plain =
            KeptCycle { number: 4, tearing: Tearing::Drawn, bias: None, step: None, ..cycle };
        let systematic = |source, kept| Origin::Systematic {
            source,
            kept,
            thin: 2,
            path: path.clone(),
            digest: 0xBEEF,
        };
        let deep = |in_a_row, kept| {
            Origin::Random(LifeChoices { run: 1 << 40, power_ups: 5, in_a_row, kept })
        };
        let geometry = Geometry::new(4, 4096, 8, 256).unwrap();
        let origins = [
            systematic(WorkloadSource::TideGauge, None),
            systematic(WorkloadSource::Counters { seed: 5, ops: 60 }, None),
            systematic(
                WorkloadSource::Random { seed: u64::MAX, ops: 9 },
                Some(Kept {
                    ops: vec![0, 1, 7],
                    most_value: u32::MAX,
                    made_for: Some(geometry),
                    longer: None,
                }),
            ),
            systematic(
                WorkloadSource::Full { seed: 0, ops: 0 },
                Some(Kept {
                    ops: Vec::new(),
                    most_value: 2,
                    made_for: None,
                    longer: Some(Longer { key: 3, bytes: 256 }),
                }),
            ),
            systematic(WorkloadSource::Case(3), None),
            systematic(
                WorkloadSource::Edge {
                    start: Start::Round,
                    filler: 3990,
                    ops: OpSequence::new(&[8, 0, 4]).unwrap(),
                },
                Some(Kept { ops: vec![0, 1], most_value: 9, made_for: None, longer: None }),
            ),
            deep(u32::MAX, None),
            deep(0, Some(vec![cycle, plain])),
        ];
        let token = |origin| Token {
            subject: "outlast".to_owned(),
            geometry,
            level: Level::F3,
            seed: 77,
            breach: Breach::Unsettled,
            origin,
        };
        origins.map(token).into()
    }

    #[test]
    fn what_is_written_is_read() {
        for token in tokens() {
            let text = token.to_string();
            assert!(text.len() < 110, "{text}");
            assert_eq!(text.parse(), Ok(token.clone()));
            assert_eq!(text.to_uppercase().replace("CUT2", "cut2").parse(), Ok(token));
        }
    }

    #[test]
    fn a_slip_of_the_pen_is_seen() {
        for token in tokens() {
            let text = token.to_string();
            for at in PREFIX.len()..text.len() {
                let mut other = text.clone();
                let digit = if &text[at..=at] == "q" { "r" } else { "q" };
                other.replace_range(at..=at, digit);
                assert_eq!(other.parse::<Token>(), Err(TokenError::Damaged), "{other}");
                assert!(text[..at].parse::<Token>().is_err());
            }
        }
        assert_eq!("cut1-aaaa".parse::<Token>(), Err(TokenError::Unknown));
        assert_eq!("cut-aaaa".parse::<Token>(), Err(TokenError::NoToken));
        assert_eq!("cut2-".parse::<Token>(), Err(TokenError::Damaged));
    }

    proptest! {
        #[test]
        fn any_text_is_answered(text in "cut2-[a-z2-7]{0,80}|\\PC{0,40}") {
            let _ = text.parse::<Token>();
        }

        #[test]
        fn any_bytes_are_answered(bytes in proptest::collection::vec(any::<u8>(), 0..80)) {
            if let Some(token) = Token::parse(&bytes) {
                prop_assert_eq!(token.to_string().parse(), Ok(token));
            }
        }
    }
}
