//! A failing history as one short word to copy and paste.
//!
//! Layout: `cut2-` and, in base 32 (RFC 4648, lower case, no padding), a CRC-32 and the fields
//! in the order of [`Token`]. Numbers are in base 128, low digits first, the top bit set on all
//! but the last.

use std::fmt::Write as _;

use super::bytes::{Reader, Writer, place};
use super::path::{CutPick, Path};
use super::power_cycle::{KeptCycle, LifeChoices, Tearing};
use super::token::{BadStart, Kept, Longer, MOST_BYTES, Origin, PREFIX, Token, TokenError};
use crate::check::finding::Breach;
use crate::check::reading::BiasPick;
use crate::checksum::crc32;
use crate::part::{BadChange, BadKind, Level};
use crate::workload::edge::{OpSequence, Start};
use crate::workload::source::WorkloadSource;

/// Prefix of tokens from before the lists of tears changed.
const OLD_PREFIX: &str = "cut1-";

/// Numbers of the kinds of history: by workload, or a random life.
const TIDE_GAUGE: u64 = 0;
const RANDOM: u64 = 1;
const FULL: u64 = 2;
const LIFE: u64 = 3;
const CASE: u64 = 4;
const COUNTERS: u64 = 5;
const EDGE: u64 = 6;
const ROTATION: u64 = 7;

const DIGITS: &[u8; 32] = b"abcdefghijklmnopqrstuvwxyz234567";

impl Token {
    fn bytes(&self) -> Vec<u8> {
        let mut out = Writer::default();
        out.list(self.subject.as_bytes(), |out, &byte| out.0.push(byte));
        out.geometry(&self.geometry);
        out.number(place(&Level::ALL, &self.level));
        out.number(self.seed);
        out.number(place(&Breach::ALL, &self.breach));
        match &self.origin {
            Origin::Systematic { source, kept, thin, path, bad, digest } => {
                write_source(&mut out, *source, kept.is_some());
                if let Some(kept) = kept {
                    write_kept(&mut out, kept);
                }
                out.number((*thin).into());
                out.list(&path.cuts, |out, cut| {
                    out.number(place(&BiasPick::ALL, &cut.bias));
                    out.number(cut.step.into());
                    out.number(cut.tear.into());
                    if bad.is_some() {
                        out.number(cut.bad.number().into());
                    }
                });
                out.number(place(&BiasPick::ALL, &path.last));
                if let Some(BadStart { from, kind }) = bad {
                    out.number((*from).into());
                    out.number(kind.map_or(0, |kind| 1 + u64::from(kind.number())));
                }
                out.0.extend(digest.to_le_bytes());
            }
            Origin::Random(choices) => write_life(&mut out, choices, self.level),
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
        let origin = if kind >> 1 == LIFE {
            Origin::Random(read_life(&mut from, has_kept, level)?)
        } else {
            let source = read_source(&mut from, kind >> 1)?;
            let kept = if has_kept { Some(read_kept(&mut from)?) } else { None };
            let thin = from.small()?;
            let has_bad = level == Level::F7;
            let cuts = from.list(|from| {
                let bias = from.pick(&BiasPick::ALL)?;
                let (step, tear) = (from.small()?, from.small()?);
                let bad = match has_bad {
                    true => BadChange::numbered(from.small()?)?,
                    false => BadChange::Stays,
                };
                Some(CutPick { bias, step, tear, bad })
            })?;
            let last = from.pick(&BiasPick::ALL)?;
            let bad = if has_bad { Some(read_bad(&mut from)?) } else { None };
            let (&digest, rest) = from.0.split_first_chunk()?;
            from.0 = rest;
            let digest = u16::from_le_bytes(digest);
            Origin::Systematic { source, kept, thin, path: Path { cuts, last }, bad, digest }
        };
        from.0.is_empty().then_some(Self { subject, geometry, level, seed, breach, origin })
    }
}

/// Writes where the workload comes from. The first number also says whether only a part of it is
/// kept.
fn write_source(out: &mut Writer, source: WorkloadSource, is_kept: bool) {
    let kind = |out: &mut Writer, kind: u64| out.number(kind << 1 | u64::from(is_kept));
    let drawn = |out: &mut Writer, number, seed: u64, ops: u32| {
        kind(out, number);
        out.number(seed);
        out.number(ops.into());
    };
    match source {
        WorkloadSource::TideGauge => kind(out, TIDE_GAUGE),
        WorkloadSource::Random { seed, ops } => drawn(out, RANDOM, seed, ops),
        WorkloadSource::Full { seed, ops } => drawn(out, FULL, seed, ops),
        WorkloadSource::Counters { seed, ops } => drawn(out, COUNTERS, seed, ops),
        WorkloadSource::Rotation { seed, ops } => drawn(out, ROTATION, seed, ops),
        WorkloadSource::Case(number) => {
            kind(out, CASE);
            out.number(number.into());
        }
        WorkloadSource::Edge { start, filler, ops } => {
            kind(out, EDGE);
            out.number(place(&Start::ALL, &start));
            out.number(filler.into());
            out.list(ops.as_slice(), |out, &op| out.number(op.into()));
        }
    }
}

fn read_source(from: &mut Reader<'_>, kind: u64) -> Option<WorkloadSource> {
    Some(match kind {
        TIDE_GAUGE => WorkloadSource::TideGauge,
        RANDOM => WorkloadSource::Random { seed: from.number()?, ops: from.ops()? },
        FULL => WorkloadSource::Full { seed: from.number()?, ops: from.ops()? },
        COUNTERS => WorkloadSource::Counters { seed: from.number()?, ops: from.ops()? },
        ROTATION => WorkloadSource::Rotation { seed: from.number()?, ops: from.ops()? },
        CASE => WorkloadSource::Case(u8::try_from(from.number()?).ok()?),
        EDGE => {
            let (start, filler) = (from.pick(&Start::ALL)?, from.small()?);
            let ops = from.list(|from| u8::try_from(from.number()?).ok())?;
            // A longer value could not be written, but would take memory.
            if filler > MOST_BYTES {
                return None;
            }
            WorkloadSource::Edge { start, filler, ops: OpSequence::new(&ops)? }
        }
        _ => return None,
    })
}

fn read_bad(from: &mut Reader<'_>) -> Option<BadStart> {
    let first = from.small()?;
    let kind = match from.number()?.checked_sub(1) {
        None => None,
        Some(number) => Some(*BadKind::ALL.get(usize::try_from(number).ok()?)?),
    };
    Some(BadStart { from: first, kind })
}

fn write_kept(out: &mut Writer, kept: &Kept) {
    let Kept { ops, most_value, made_for, longer } = kept;
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

fn read_kept(from: &mut Reader<'_>) -> Option<Kept> {
    let (ops, most_value) = (from.runs()?, from.small()?.wrapping_sub(1));
    let has = from.number().filter(|has| *has < 4)?;
    let made_for = if has & 1 == 1 { Some(from.geometry()?) } else { None };
    let longer = if has >> 1 == 1 {
        Some(from.longer().filter(|longer| longer.is_possible(ops.len()))?)
    } else {
        None
    };
    Some(Kept { ops, most_value, made_for, longer })
}

fn write_life(out: &mut Writer, choices: &LifeChoices, level: Level) {
    let LifeChoices { run, power_ups, in_a_row, kept } = choices;
    out.number(LIFE << 1 | u64::from(kept.is_some()));
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
            if level >= Level::F7 {
                out.number(cycle.bad.map_or(0, |bad| 1 + u64::from(bad.number())));
            }
        }
    }
}

fn read_life(from: &mut Reader<'_>, has_kept: bool, level: Level) -> Option<LifeChoices> {
    let (run, power_ups) = (from.number()?, from.small()?);
    let in_a_row = from.small()?.wrapping_sub(1);
    let kept = if has_kept {
        let kept = from.runs()?.into_iter().map(|number| {
            let ops = from.small()?;
            let tearing = from.pick(&Tearing::ALL)?;
            let bias = match from.number()?.checked_sub(1) {
                None => None,
                Some(index) => Some(*BiasPick::ALL.get(usize::try_from(index).ok()?)?),
            };
            let step = from.small()?.checked_sub(1);
            let bad = if level < Level::F7 {
                None
            } else if let Some(number) = from.small()?.checked_sub(1) {
                Some(BadChange::numbered(number)?)
            } else {
                None
            };
            Some(KeptCycle { number, ops, tearing, bias, step, bad })
        });
        Some(kept.collect::<Option<Vec<_>>>()?)
    } else {
        None
    };
    Some(LifeChoices { run, power_ups, in_a_row, kept })
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
    use crate::part::Geometry;
    use proptest::prelude::*;

    fn tokens() -> Vec<Token> {
        let cut = |bias, step, tear| CutPick { bias, step, tear, bad: BadChange::Stays };
        let cuts = vec![cut(BiasPick::Stored, 70, 1), cut(BiasPick::Flicker, 3, 900)];
        let path = Path { cuts, last: BiasPick::Ones };
        let cycle = KeptCycle {
            number: 3,
            ops: 0b101,
            tearing: Tearing::Everything,
            bias: Some(BiasPick::Stored),
            step: Some(0),
            bad: None,
        };
        let plain =
            KeptCycle { number: 4, tearing: Tearing::Drawn, bias: None, step: None, ..cycle };
        let systematic = |source, kept| Origin::Systematic {
            source,
            kept,
            thin: 2,
            path: path.clone(),
            bad: None,
            digest: 0xBEEF,
        };
        let life = |in_a_row, kept| {
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
            life(u32::MAX, None),
            life(0, Some(vec![cycle, plain])),
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
