//! Encodes values in the postcard format, version 1, which is published and stable:
//! <https://postcard.jamesmunns.com/wire-format>. Decoding is left to the crate `postcard`.
//!
//! The encoder of that crate (1.2.0) is not used. It writes numbers of variable length by indexing
//! an array in a loop, and the compiler cannot see that the index stays in bounds, so every
//! firmware that saves a setting would contain panicking branches. A flavor of that encoder does
//! not help, since the loops run before any flavor is called.

use core::fmt::{self, Display, Write as _};

use postcard::{Error, Result};
use serde::Serialize;
use serde::ser;

/// Encodes `value` to the start of `buffer` and returns the bytes. `None` if they do not fit, if
/// the format cannot encode the value (a sequence of unknown length), or if the value refuses to be
/// encoded.
pub(crate) fn encode<'b, T: Serialize + ?Sized>(
    value: &T,
    buffer: &'b mut [u8],
) -> Option<&'b [u8]> {
    let room = buffer.len();
    let mut encoder = Encoder { rest: &mut *buffer };
    value.serialize(&mut encoder).ok()?;
    let len = room - encoder.rest.len();
    buffer.get(..len)
}

struct Encoder<'b> {
    /// The part of the buffer that is not written yet.
    rest: &'b mut [u8],
}

impl Encoder<'_> {
    fn extend(&mut self, bytes: &[u8]) -> Result<()> {
        let rest = core::mem::take(&mut self.rest);
        let (now, later) =
            rest.split_at_mut_checked(bytes.len()).ok_or(Error::SerializeBufferFull)?;
        now.iter_mut().zip(bytes).for_each(|(to, from)| *to = *from);
        self.rest = later;
        Ok(())
    }

    /// Adds a length and the bytes.
    fn run(&mut self, bytes: &[u8]) -> Result<()> {
        self.length(bytes.len())?;
        self.extend(bytes)
    }

    fn length(&mut self, length: usize) -> Result<()> {
        // The second case is for targets with 64-bit pointers only.
        match u32::try_from(length) {
            Ok(length) => self.number(length),
            Err(_) => self.number_64(length as u64),
        }
    }
}

/// Numbers of variable length: seven bits per byte, lowest first; the highest bit says that more
/// bytes follow. One function per width, so that small targets do not link the wide ones.
macro_rules! numbers {
    ($($name:ident: $width:ty,)+) => {
        impl Encoder<'_> {$(
            fn $name(&mut self, mut number: $width) -> Result<()> {
                while number >= 128 {
                    self.extend(&[number as u8 | 128])?;
                    number >>= 7;
                }
                self.extend(&[number as u8])
            }
        )+}
    };
}

numbers! { number: u32, number_64: u64, number_128: u128, }

/// Signed numbers 0, −1, 1, −2, 2 ... are encoded as 0, 1, 2, 3, 4 ...
macro_rules! zigzag {
    ($number:expr, $bits:literal, $unsigned:ty) => {
        ($number << 1 ^ $number >> ($bits - 1)) as $unsigned
    };
}

impl ser::Serializer for &mut Encoder<'_> {
    type Ok = ();
    type Error = Error;
    type SerializeSeq = Self;
    type SerializeTuple = Self;
    type SerializeTupleStruct = Self;
    type SerializeTupleVariant = Self;
    type SerializeMap = Self;
    type SerializeStruct = Self;
    type SerializeStructVariant = Self;

    fn is_human_readable(&self) -> bool {
        false
    }

    fn serialize_bool(self, value: bool) -> Result<()> {
        self.extend(&[u8::from(value)])
    }

    fn serialize_i8(self, value: i8) -> Result<()> {
        self.extend(&value.to_le_bytes())
    }

    fn serialize_i16(self, value: i16) -> Result<()> {
        self.number(u32::from(zigzag!(value, 16, u16)))
    }

    fn serialize_i32(self, value: i32) -> Result<()> {
        self.number(zigzag!(value, 32, u32))
    }

    fn serialize_i64(self, value: i64) -> Result<()> {
        self.number_64(zigzag!(value, 64, u64))
    }

    fn serialize_i128(self, value: i128) -> Result<()> {
        self.number_128(zigzag!(value, 128, u128))
    }

    fn serialize_u8(self, value: u8) -> Result<()> {
        self.extend(&[value])
    }

    fn serialize_u16(self, value: u16) -> Result<()> {
        self.number(value.into())
    }

    fn serialize_u32(self, value: u32) -> Result<()> {
        self.number(value)
    }

    fn serialize_u64(self, value: u64) -> Result<()> {
        self.number_64(value)
    }

    fn serialize_u128(self, value: u128) -> Result<()> {
        self.number_128(value)
    }

    fn serialize_f32(self, value: f32) -> Result<()> {
        self.extend(&value.to_le_bytes())
    }

    fn serialize_f64(self, value: f64) -> Result<()> {
        self.extend(&value.to_le_bytes())
    }

    fn serialize_char(self, value: char) -> Result<()> {
        self.run(value.encode_utf8(&mut [0; 4]).as_bytes())
    }

    fn serialize_str(self, value: &str) -> Result<()> {
        self.run(value.as_bytes())
    }

    fn serialize_bytes(self, value: &[u8]) -> Result<()> {
        self.run(value)
    }

    fn serialize_none(self) -> Result<()> {
        self.extend(&[0])
    }

    fn serialize_some<T: Serialize + ?Sized>(self, value: &T) -> Result<()> {
        self.extend(&[1])?;
        value.serialize(self)
    }

    fn serialize_unit(self) -> Result<()> {
        Ok(())
    }

    fn serialize_unit_struct(self, _: &'static str) -> Result<()> {
        Ok(())
    }

    fn serialize_unit_variant(self, _: &'static str, number: u32, _: &'static str) -> Result<()> {
        self.number(number)
    }

    fn serialize_newtype_struct<T: Serialize + ?Sized>(
        self,
        _: &'static str,
        value: &T,
    ) -> Result<()> {
        value.serialize(self)
    }

    fn serialize_newtype_variant<T: Serialize + ?Sized>(
        self,
        _: &'static str,
        number: u32,
        _: &'static str,
        value: &T,
    ) -> Result<()> {
        self.number(number)?;
        value.serialize(self)
    }

    fn serialize_seq(self, len: Option<usize>) -> Result<Self> {
        self.length(len.ok_or(Error::SerializeSeqLengthUnknown)?)?;
        Ok(self)
    }

    fn serialize_tuple(self, _: usize) -> Result<Self> {
        Ok(self)
    }

    fn serialize_tuple_struct(self, _: &'static str, _: usize) -> Result<Self> {
        Ok(self)
    }

    fn serialize_tuple_variant(
        self,
        _: &'static str,
        number: u32,
        _: &'static str,
        _: usize,
    ) -> Result<Self> {
        self.number(number)?;
        Ok(self)
    }

    fn serialize_map(self, len: Option<usize>) -> Result<Self> {
        self.serialize_seq(len)
    }

    fn serialize_struct(self, _: &'static str, _: usize) -> Result<Self> {
        Ok(self)
    }

    fn serialize_struct_variant(
        self,
        name: &'static str,
        number: u32,
        variant: &'static str,
        len: usize,
    ) -> Result<Self> {
        self.serialize_tuple_variant(name, number, variant, len)
    }

    /// Encodes a formatted value as a string. It is formatted twice, since its length comes first.
    fn collect_str<T: Display + ?Sized>(self, value: &T) -> Result<()> {
        let mut length = Length(0);
        write!(length, "{value}").map_err(|_| Error::CollectStrError)?;
        self.length(length.0)?;
        write!(self, "{value}").map_err(|_| Error::CollectStrError)
    }
}

/// Counts the bytes of a text.
struct Length(usize);

impl fmt::Write for Length {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        self.0 += text.len();
        Ok(())
    }
}

impl fmt::Write for Encoder<'_> {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        self.extend(text.as_bytes()).map_err(|_| fmt::Error)
    }
}

/// Elements follow each other, without names and without an end marker.
macro_rules! elements {
    ($($part:ident: $element:ident($($name:ty)?),)+) => {$(
        impl ser::$part for &mut Encoder<'_> {
            type Ok = ();
            type Error = Error;

            fn $element<T: Serialize + ?Sized>(&mut self, $(_: $name,)? value: &T) -> Result<()> {
                value.serialize(&mut **self)
            }

            fn end(self) -> Result<()> {
                Ok(())
            }
        }
    )+};
}

elements! {
    SerializeSeq: serialize_element(),
    SerializeTuple: serialize_element(),
    SerializeTupleStruct: serialize_field(),
    SerializeTupleVariant: serialize_field(),
    SerializeStruct: serialize_field(&'static str),
    SerializeStructVariant: serialize_field(&'static str),
}

impl ser::SerializeMap for &mut Encoder<'_> {
    type Ok = ();
    type Error = Error;

    fn serialize_key<T: Serialize + ?Sized>(&mut self, key: &T) -> Result<()> {
        key.serialize(&mut **self)
    }

    fn serialize_value<T: Serialize + ?Sized>(&mut self, value: &T) -> Result<()> {
        value.serialize(&mut **self)
    }

    fn end(self) -> Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    //! Encodes every kind of value, and compares the bytes with those of the crate `postcard`.

    use super::*;
    use core::time::Duration;

    /// The crate `postcard` is the reference; and every buffer too short by a byte is refused.
    fn same<T: Serialize + ?Sized>(value: &T) {
        let mut theirs = [0; 200];
        let theirs = postcard::to_slice(value, &mut theirs).unwrap();
        assert_eq!(encode(value, &mut [0; 200]), Some(&*theirs));
        assert_eq!(encode(value, &mut [0; 200][..theirs.len()]), Some(&*theirs));
        if let Some(less) = theirs.len().checked_sub(1) {
            assert_eq!(encode(value, &mut [0; 200][..less]), None);
        }
    }

    #[derive(Serialize)]
    enum Variant {
        Unit,
        Newtype(i64),
        Tuple(u8, u16),
        Struct { text: &'static str, real: f64 },
    }

    #[derive(Serialize)]
    struct Unit;

    #[derive(Serialize)]
    struct Newtype(u32);

    #[derive(Serialize)]
    struct Tuple(i16, bool);

    #[derive(Serialize)]
    struct Everything<'a> {
        unit: Unit,
        newtype: Newtype,
        tuple: Tuple,
        option: Option<&'a str>,
        list: &'a [i32],
        array: [u16; 3],
        pair: (char, f32),
        variants: [Variant; 4],
        time: Duration,
    }

    /// A type that is formatted instead of serialized.
    struct Formatted;

    impl Serialize for Formatted {
        fn serialize<S: ser::Serializer>(
            &self,
            serializer: S,
        ) -> core::result::Result<S::Ok, S::Error> {
            serializer.collect_str(&format_args!("{}.{}", 11, "quay"))
        }
    }

    #[test]
    fn bytes_are_those_of_the_reference() {
        same(&());
        for value in [true, false] {
            same(&value);
        }
        for shift in 0..128 {
            for value in [1_u128 << shift, (1 << shift) - 1, 0x5A5A << shift >> 7] {
                same(&(value as u8, value as u16, value as u32, value as u64, value));
                same(&(value as usize, value as isize));
                let value = value as i128;
                same(&(value as i8, value as i16, value as i32, value as i64, value));
                let value = value.wrapping_neg();
                same(&(value as i8, value as i16, value as i32, value as i64, value));
            }
        }
        same(&[i64::MIN, i64::MAX, -1, 0]);
        for value in [0.0, -1.5, f32::NAN, f32::INFINITY, f32::MIN_POSITIVE] {
            same(&(value, f64::from(value)));
        }
        for value in ['a', 'ß', '潮', '🌊'] {
            same(&value);
        }
        same("");
        same(
            "the harbour office, where the tide gauge is read on the hour and on the half hour; and in storms \
              on the quarter, by whoever is on duty",
        );
        same(&heapless::Vec::<u8, 4>::from_slice(&[1, 2]).unwrap());
        same(&Formatted);
        same(&Everything {
            unit: Unit,
            newtype: Newtype(300),
            tuple: Tuple(-300, true),
            option: Some("quay"),
            list: &[-1, i32::MAX, i32::MIN],
            array: [0, 127, 128],
            pair: ('m', 1.25),
            variants: [
                Variant::Unit,
                Variant::Newtype(-5),
                Variant::Tuple(1, 2),
                Variant::Struct { text: "x", real: 0.5 },
            ],
            time: Duration::new(77, 999_999_999),
        });
    }

    /// Signed and variable-length examples of the published format.
    #[test]
    fn bytes_are_those_of_the_specification() {
        let examples: [(u16, &[u8]); 5] = [
            (0, &[0x00]),
            (127, &[0x7F]),
            (128, &[0x80, 0x01]),
            (16383, &[0xFF, 0x7F]),
            (65535, &[0xFF, 0xFF, 0x03]),
        ];
        for (value, bytes) in examples {
            assert_eq!(encode(&value, &mut [0; 4]), Some(bytes));
        }
        let examples: [(i16, &[u8]); 6] = [
            (0, &[0x00]),
            (-1, &[0x01]),
            (1, &[0x02]),
            (63, &[0x7E]),
            (-64, &[0x7F]),
            (-32768, &[0xFF, 0xFF, 0x03]),
        ];
        for (value, bytes) in examples {
            assert_eq!(encode(&value, &mut [0; 4]), Some(bytes));
        }
    }

    #[test]
    fn maps_have_a_length_and_other_iterators_none() {
        let pairs = heapless::index_map::FnvIndexMap::<u8, u16, 4>::from_iter([(1, 300), (2, 0)]);
        same(&pairs);
        struct Endless;
        impl Serialize for Endless {
            fn serialize<S: ser::Serializer>(
                &self,
                serializer: S,
            ) -> core::result::Result<S::Ok, S::Error> {
                use ser::SerializeSeq as _;
                serializer.serialize_seq(None)?.end()
            }
        }
        assert_eq!(encode(&Endless, &mut [0; 9]), None);
    }
}
