//! The fingerprint of a type's shape, so that a stored value is never read as another type.

use postcard_schema::Schema;
use postcard_schema::schema::{DataModelType, DataModelVariant, NamedType, NamedValue};

/// The fingerprint of `T`: 32 bits that depend on its shape as it is stored. That is the kinds of
/// numbers, the order and names of fields and variants, and the element types and lengths of
/// arrays; not the names of types, nor the capacity of strings and lists. Two types that differ
/// have the same fingerprint with a probability of 2⁻³².
pub(crate) const fn fingerprint<T: Schema>() -> u32 {
    let hash = shape(VERSION, T::SCHEMA);
    (hash ^ hash >> 32) as u32
}

/// FNV-1a, 64 bits (Fowler, Noll, Vo; IETF draft-eastlake-fnv). It starts with a version number,
/// which must change if the encoding of values ever changes.
const VERSION: u64 = byte(0xCBF2_9CE4_8422_2325, 1);

const fn byte(hash: u64, byte: u8) -> u64 {
    (hash ^ byte as u64).wrapping_mul(0x0000_0100_0000_01B3)
}

/// A length comes before everything of variable length, so no two shapes give the same bytes.
const fn count(hash: u64, count: usize) -> u64 {
    byte(byte(hash, count as u8), (count >> 8) as u8)
}

const fn name(hash: u64, name: &str) -> u64 {
    let bytes = name.as_bytes();
    let mut hash = count(hash, bytes.len());
    let mut at = 0;
    while at < bytes.len() {
        hash = byte(hash, bytes[at]);
        at += 1;
    }
    hash
}

const fn list(hash: u64, types: &[&NamedType]) -> u64 {
    let mut hash = count(hash, types.len());
    let mut at = 0;
    while at < types.len() {
        hash = shape(hash, types[at]);
        at += 1;
    }
    hash
}

const fn fields(hash: u64, fields: &[&NamedValue]) -> u64 {
    let mut hash = count(hash, fields.len());
    let mut at = 0;
    while at < fields.len() {
        hash = shape(name(hash, fields[at].name), fields[at].ty);
        at += 1;
    }
    hash
}

const fn shape(hash: u64, ty: &NamedType) -> u64 {
    match ty.ty {
        DataModelType::Bool => byte(hash, 1),
        DataModelType::I8 => byte(hash, 2),
        DataModelType::U8 => byte(hash, 3),
        DataModelType::I16 => byte(hash, 4),
        DataModelType::I32 => byte(hash, 5),
        DataModelType::I64 => byte(hash, 6),
        DataModelType::I128 => byte(hash, 7),
        DataModelType::U16 => byte(hash, 8),
        DataModelType::U32 => byte(hash, 9),
        DataModelType::U64 => byte(hash, 10),
        DataModelType::U128 => byte(hash, 11),
        DataModelType::Usize => byte(hash, 12),
        DataModelType::Isize => byte(hash, 13),
        DataModelType::F32 => byte(hash, 14),
        DataModelType::F64 => byte(hash, 15),
        DataModelType::Char => byte(hash, 16),
        DataModelType::String => byte(hash, 17),
        DataModelType::ByteArray => byte(hash, 18),
        DataModelType::Option(of) => shape(byte(hash, 19), of),
        DataModelType::Unit => byte(hash, 20),
        DataModelType::UnitStruct => byte(hash, 21),
        DataModelType::NewtypeStruct(of) => shape(byte(hash, 22), of),
        DataModelType::Seq(of) => shape(byte(hash, 23), of),
        DataModelType::Tuple(types) => list(byte(hash, 24), types),
        DataModelType::TupleStruct(types) => list(byte(hash, 25), types),
        DataModelType::Map { key, val } => shape(shape(byte(hash, 26), key), val),
        DataModelType::Struct(of) => fields(byte(hash, 27), of),
        DataModelType::Enum(variants) => {
            let mut hash = count(byte(hash, 28), variants.len());
            let mut at = 0;
            while at < variants.len() {
                hash = name(hash, variants[at].name);
                hash = match variants[at].ty {
                    DataModelVariant::UnitVariant => byte(hash, 0),
                    DataModelVariant::NewtypeVariant(of) => shape(byte(hash, 1), of),
                    DataModelVariant::TupleVariant(types) => list(byte(hash, 2), types),
                    DataModelVariant::StructVariant(of) => fields(byte(hash, 3), of),
                };
                at += 1;
            }
            hash
        }
        DataModelType::Schema => byte(hash, 29),
    }
}

#[cfg(test)]
mod tests {
    //! Compares fingerprints of shapes that differ in one thing, and the hash with published
    //! values.

    use super::*;
    use serde::{Deserialize, Serialize};

    /// "a" and "foobar" in the published test vectors of FNV-1a, 64 bits (draft-eastlake-fnv,
    /// appendix C): the arithmetic is that of the algorithm.
    #[test]
    fn arithmetic_is_that_of_fnv() {
        let hash = |text: &str| text.bytes().fold(0xCBF2_9CE4_8422_2325, byte);
        assert_eq!(hash("a"), 0xAF63_DC4C_8601_EC8C);
        assert_eq!(hash("foobar"), 0x8594_4171_F739_67E8);
    }

    #[derive(Serialize, Deserialize, Schema)]
    enum Inner1 {
        X,
    }
    #[derive(Serialize, Deserialize, Schema)]
    enum Inner2 {
        X,
        Y,
    }
    #[derive(Serialize, Deserialize, Schema)]
    enum Outer1 {
        A(Inner1),
        Y,
    }
    #[derive(Serialize, Deserialize, Schema)]
    enum Outer2 {
        A(Inner2),
    }

    /// Without lengths, the hash would see the same bytes for these two.
    #[test]
    fn nesting_counts() {
        assert_ne!(fingerprint::<Outer1>(), fingerprint::<Outer2>());
    }

    #[derive(Serialize, Deserialize, Schema)]
    struct Named {
        low: i16,
        high: i16,
    }
    #[derive(Serialize, Deserialize, Schema)]
    struct Swapped {
        high: i16,
        low: i16,
    }
    #[derive(Serialize, Deserialize, Schema)]
    struct Renamed {
        low: i16,
        upper: i16,
    }

    #[test]
    fn shapes_differ() {
        let all = [
            fingerprint::<u16>(),
            fingerprint::<u32>(),
            fingerprint::<i32>(),
            fingerprint::<f32>(),
            fingerprint::<Option<u32>>(),
            fingerprint::<[u32; 2]>(),
            fingerprint::<[u32; 3]>(),
            fingerprint::<(u32, u32, u32, u32)>(),
            fingerprint::<heapless::Vec<u32, 4>>(),
            fingerprint::<heapless::String<8>>(),
            fingerprint::<Named>(),
            fingerprint::<Swapped>(),
            fingerprint::<Renamed>(),
            fingerprint::<Inner1>(),
            fingerprint::<Inner2>(),
        ];
        for (n, a) in all.iter().enumerate() {
            assert!(all[n + 1..].iter().all(|b| a != b), "{n}");
        }
        // A larger capacity does not change the shape.
        assert_eq!(fingerprint::<heapless::String<8>>(), fingerprint::<heapless::String<9>>());
    }
}
