//! Typed settings.
//!
//! Goal: what is saved is loaded, a stored value is never misread as another type, and the bytes in
//! flash are those of the postcard format. Method: random values through save, load, export and
//! import; declarations that change between two firmware versions; the published examples of the
//! format.

use heapless::{String as Text, Vec as List};
use outlast_faultsim::part::{Bias, Chip, Geometry, Nor, Part, Tear};
use outlast_kvstore::settings::{
    Declared, ImportError, JsonError, Setting, SettingBatch, Source, Why, export, export_json,
    import, import_json,
};
use outlast_kvstore::{Error, Layout, Store};
use postcard_schema::Schema;
use proptest::prelude::*;
use serde::{Deserialize, Serialize};

type Small = Store<Nor<1, 1>, 32>;

fn part() -> Part {
    Part::new(Chip::new(Geometry::new(4, 1024, 1, 256).unwrap()))
}

fn open(part: &Part) -> Small {
    Store::open(part.nor(), Layout::serial_nor().with_sector_bytes(1024)).unwrap()
}

/// Cycles the power.
fn reopen(part: &Part) -> Small {
    let image = part.chip().image().clone();
    part.chip_mut().power_up(&image, Bias::ONES);
    open(part)
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, Schema)]
enum Sleep {
    Never,
    After(u16),
    Between { from_hour: u8, to_hour: u8 },
    Pair(u8, i8),
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, Schema)]
struct Position {
    latitude: f64,
    longitude: f64,
    height: Option<f32>,
}

/// Every kind of value, nested.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, Schema)]
struct Everything {
    tiny: i8,
    small: u16,
    medium: i32,
    large: u64,
    huge: i128,
    flag: bool,
    ratio: f32,
    name: Text<12>,
    table: [u16; 3],
    list: List<i16, 4>,
    sleep: Sleep,
    place: Option<Position>,
    letter: char,
    pair: (u8, i8),
}

fn everything() -> Everything {
    Everything {
        tiny: 0,
        small: 0,
        medium: 0,
        large: 0,
        huge: 0,
        flag: false,
        ratio: 0.0,
        name: Text::new(),
        table: [0; 3],
        list: List::new(),
        sleep: Sleep::Never,
        place: None,
        letter: ' ',
        pair: (0, 0),
    }
}

const EVERYTHING: Setting<Everything, 200> = Setting::new("everything", everything);

fn any_float() -> impl Strategy<Value = f64> {
    prop_oneof![any::<f64>(), Just(-0.0), Just(f64::MAX), Just(f64::MIN_POSITIVE)]
        .prop_filter("NaN equals nothing", |x| !x.is_nan())
}

fn any_sleep() -> impl Strategy<Value = Sleep> {
    prop_oneof![
        Just(Sleep::Never),
        any::<u16>().prop_map(Sleep::After),
        (0..24_u8, 0..24_u8).prop_map(|(from_hour, to_hour)| Sleep::Between { from_hour, to_hour }),
        any::<(u8, i8)>().prop_map(|(a, b)| Sleep::Pair(a, b)),
    ]
}

fn any_everything() -> impl Strategy<Value = Everything> {
    let numbers = any::<(i8, u16, i32, u64, i128, bool, char, (u8, i8), [u16; 3])>();
    let place =
        proptest::option::of((any_float(), any_float(), proptest::option::of(any::<i16>())));
    let list = proptest::collection::vec(any::<i16>(), 0..=4);
    (numbers, any_float(), "[a-zé]{0,6}", list, any_sleep(), place).prop_map(
        |(numbers, ratio, name, list, sleep, place)| {
            let (tiny, small, medium, large, huge, flag, letter, pair, table) = numbers;
            Everything {
                tiny,
                small,
                medium,
                large,
                huge,
                flag,
                ratio: ratio as f32,
                name: name.as_str().try_into().unwrap(),
                table,
                list: list.into_iter().collect(),
                sleep,
                place: place.map(|(latitude, longitude, height)| Position {
                    latitude,
                    longitude,
                    height: height.map(f32::from),
                }),
                letter,
                pair,
            }
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// What is saved is loaded, also after a power cycle; what is exported is imported.
    #[test]
    fn values_come_back(value in any_everything()) {
        let device = part();
        EVERYTHING.save(&mut open(&device), &value).unwrap();
        let mut store = reopen(&device);
        let loaded = EVERYTHING.load(&mut store).unwrap();
        prop_assert_eq!(loaded.source, Source::Stored);
        prop_assert_eq!(&loaded.value, &value);
        let mut exported = Vec::new();
        let (mut stored, mut entry) = ([0; 256], [0; 256]);
        let all: [&dyn Declared; 1] = [&EVERYTHING];
        let each = |bytes: &[u8]| exported.extend_from_slice(bytes);
        export(&mut store, &all, &mut stored, &mut entry, each).unwrap();
        let mut other = open(&part());
        prop_assert_eq!(import::<_, 32, 4>(&mut other, &all, &exported).unwrap(), 1);
        prop_assert_eq!(&EVERYTHING.load(&mut other).unwrap().value, &value);
        // Floats for which JSON has no number are refused; the others come back.
        match export_json(&mut store, &all) {
            Ok(lines) => {
                let mut third = open(&part());
                prop_assert_eq!(import_json(&mut third, &all, &lines).unwrap(), 1);
                prop_assert_eq!(EVERYTHING.load(&mut third).unwrap().value, value);
            }
            Err(error) => {
                let finite = value.ratio.is_finite()
                    && value.place.as_ref().is_none_or(|place| {
                        place.latitude.is_finite() && place.longitude.is_finite()
                    })
                    // JSON numbers of serde_json have 64 bits.
                    && i64::try_from(value.huge).is_ok();
                prop_assert!(!finite, "{error}");
            }
        }
    }

    /// Whatever bytes are stored under the key, a load gives no wrong value and does not panic.
    #[test]
    fn foreign_bytes_are_no_value(bytes in proptest::collection::vec(any::<u8>(), 0..60)) {
        let mut store = open(&part());
        store.put(EVERYTHING.key(), &bytes).unwrap();
        let error = EVERYTHING.load(&mut store).unwrap_err();
        prop_assert_eq!(error.key, "everything");
        let is_other = matches!(error.why, Why::OtherType { .. });
        prop_assert!(is_other, "{}", error);
        // The right fingerprint in front of any bytes: they decode only if they are a whole value.
        let mut tagged = Setting::<Everything, 200>::FINGERPRINT.to_le_bytes().to_vec();
        tagged.extend(&bytes);
        store.put(EVERYTHING.key(), &tagged).unwrap();
        if let Ok(loaded) = EVERYTHING.load(&mut store) {
            let mut other = open(&part());
            EVERYTHING.save(&mut other, &loaded.value).unwrap();
        }
        prop_assert!(import::<_, 32, 4>(&mut store, &[&EVERYTHING], &bytes).is_err() || bytes.is_empty());
    }
}

/// The bytes a value is stored as, without the fingerprint.
fn stored_bytes<T: outlast_kvstore::settings::Value>(value: &T) -> Vec<u8> {
    let setting: Setting<T> = Setting::new("k", || panic!("no default wanted"));
    let mut store = open(&part());
    setting.save(&mut store, value).unwrap();
    let mut buffer = [0; 64];
    store.get("k", &mut buffer).unwrap().unwrap()[4..].to_vec()
}

/// The postcard specification, version 1.0, "Wire Format": the tables of varint-encoded and of
/// zigzag-encoded 16-bit numbers, and the examples of floats, options, strings and enums. From
/// memory of the published text; `loopback.rs` of the postcard sources has the last four rows.
#[test]
fn values_are_stored_as_the_postcard_specification_says() {
    let unsigned: [(u16, &[u8]); 7] = [
        (0, &[0x00]),
        (127, &[0x7F]),
        (128, &[0x80, 0x01]),
        (16_383, &[0xFF, 0x7F]),
        (16_384, &[0x80, 0x80, 0x01]),
        (16_385, &[0x81, 0x80, 0x01]),
        (65_535, &[0xFF, 0xFF, 0x03]),
    ];
    for (value, bytes) in unsigned {
        assert_eq!(stored_bytes(&value), bytes, "{value}");
    }
    let signed: [(i16, &[u8]); 9] = [
        (0, &[0x00]),
        (-1, &[0x01]),
        (1, &[0x02]),
        (63, &[0x7E]),
        (-64, &[0x7F]),
        (64, &[0x80, 0x01]),
        (-65, &[0x81, 0x01]),
        (32_767, &[0xFE, 0xFF, 0x03]),
        (-32_768, &[0xFF, 0xFF, 0x03]),
    ];
    for (value, bytes) in signed {
        assert_eq!(stored_bytes(&value), bytes, "{value}");
    }
    assert_eq!(stored_bytes(&f32::from_bits(0xC200_0600)), [0x00, 0x06, 0x00, 0xC2]);
    assert_eq!(stored_bytes(&-32.005_859_375_f64), [0, 0, 0, 0, 0xC0, 0, 0x40, 0xC0]);
    assert_eq!(stored_bytes(&None::<u8>), [0x00]);
    assert_eq!(stored_bytes(&Some(7_u8)), [0x01, 0x07]);
    assert_eq!(stored_bytes(&Text::<4>::try_from("zz").unwrap()), [0x02, b'z', b'z']);
    assert_eq!(stored_bytes(&Sleep::After(300)), [0x01, 0xAC, 0x02]);
    assert_eq!(stored_bytes(&0xA5C7_u16), [0xC7, 0xCB, 0x02]);
    assert_eq!(stored_bytes(&0xCDAB_3412_u32), [0x92, 0xE8, 0xAC, 0xED, 0x0C]);
    let wide = 0x1234_5678_90AB_CDEF_u64;
    assert_eq!(stored_bytes(&wide), [0xEF, 0x9B, 0xAF, 0x85, 0x89, 0xCF, 0x95, 0x9A, 0x12]);
    assert_eq!(stored_bytes(&'z'), [0x01, 0x7A]);
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, Schema)]
struct ProfileV1 {
    period_s: u16,
    channel: u8,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, Schema)]
struct ProfileV2 {
    period_ms: u32,
    channel: u8,
    retries: Option<u8>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, Schema)]
struct ProfileV3 {
    period_ms: u32,
    channel: u8,
    retries: u8,
}

const V1: Setting<ProfileV1> = Setting::new("profile", || ProfileV1 { period_s: 60, channel: 11 });
const V2: Setting<ProfileV2> =
    Setting::new("profile", || ProfileV2 { period_ms: 60_000, channel: 11, retries: None })
        .checked("channel 11 to 26", |profile| (11..=26).contains(&profile.channel));
const V3: Setting<ProfileV3> =
    Setting::new("profile", || ProfileV3 { period_ms: 60_000, channel: 11, retries: 3 });

fn two_from(old: ProfileV1) -> ProfileV2 {
    ProfileV2 { period_ms: u32::from(old.period_s) * 1000, channel: old.channel, retries: None }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(100))]

    #[test]
    fn a_value_of_version_1_is_read_by_versions_2_and_3(
        period_s in any::<u16>(), channel in 11..=26_u8,
    ) {
        let part = part();
        let old = ProfileV1 { period_s, channel };
        V1.save(&mut open(&part), &old).unwrap();
        let mut store = reopen(&part);
        // It is never misread, and asking does not lose it.
        let error = V2.load(&mut store).unwrap_err();
        let is_other = matches!(error.why, Why::OtherType { stored: Some(_), .. });
        prop_assert!(is_other);
        let migrated = V2.load_migrating(&mut store, |old| old.read().map(two_from)).unwrap();
        prop_assert_eq!(migrated.source, Source::Migrated);
        let mut store = reopen(&part);
        let loaded = V2.load(&mut store).unwrap();
        prop_assert_eq!(loaded.source, Source::Stored);
        prop_assert_eq!(&loaded.value, &two_from(old));
        prop_assert_eq!(&loaded.value, &migrated.value);
        // From here on the closure is not asked.
        let again = V2.load_migrating(&mut store, |_| unreachable!()).unwrap();
        prop_assert_eq!(again.source, Source::Stored);
        // A migration over two versions.
        V1.save(&mut store, &ProfileV1 { period_s, channel }).unwrap();
        let three = V3.load_migrating(&mut store, |old| {
            let two = old.read::<ProfileV1>().map(two_from).or_else(|| old.read())?;
            let ProfileV2 { period_ms, channel, retries } = two;
            Some(ProfileV3 { period_ms, channel, retries: retries.unwrap_or(3) })
        });
        prop_assert_eq!(three.unwrap().value.channel, channel);
    }

    /// Older firmware refuses newer data with the name of the setting, and the data stay.
    #[test]
    fn a_value_of_version_2_is_refused_by_version_1(
        period_ms in any::<u32>(), channel in 11..=26_u8, retries in any::<Option<u8>>(),
    ) {
        let mut store = open(&part());
        let new = ProfileV2 { period_ms, channel, retries };
        V2.save(&mut store, &new).unwrap();
        let error = V1.load(&mut store).unwrap_err();
        let words = error.to_string();
        prop_assert!(words.starts_with("setting 'profile': a value of another type is stored"));
        let refused = V1.load_migrating(&mut store, |old| old.read());
        prop_assert_eq!(refused, Err(error));
        let (loaded, trouble) = V1.load_or_default(&mut store);
        prop_assert_eq!((loaded.source, trouble), (Source::Default, Some(error)));
        prop_assert_eq!(V2.load(&mut store).unwrap().value, new);
    }
}

#[test]
fn plain_bytes_of_an_earlier_firmware_can_be_migrated() {
    const DATUM: Setting<i32> = Setting::new("gauge.datum", || 0);
    let mut store = open(&part());
    store.put("gauge.datum", &1234_i32.to_le_bytes()).unwrap();
    let old = |bytes: &[u8]| bytes.try_into().ok().map(i32::from_le_bytes);
    let loaded = DATUM.load_migrating(&mut store, |stored| old(stored.bytes())).unwrap();
    assert_eq!((loaded.value, loaded.source), (1234, Source::Migrated));
    store.put("gauge.datum", &[1, 2]).unwrap();
    let error = DATUM.load(&mut store).unwrap_err();
    assert!(matches!(error.why, Why::OtherType { stored: None, .. }), "{error}");
}

/// A migration whose result is not allowed changes nothing.
#[test]
fn a_migration_keeps_to_the_range() {
    let mut store = open(&part());
    let old = ProfileV1 { period_s: 1, channel: 5 };
    V1.save(&mut store, &old).unwrap();
    let error = V2.load_migrating(&mut store, |old| old.read().map(two_from)).unwrap_err();
    assert_eq!(error.to_string(), "setting 'profile': out of range (allowed: channel 11 to 26)");
    assert_eq!(V1.load(&mut store).unwrap().value, old);
}

const CHANNEL: Setting<u8> =
    Setting::new("radio.channel", || 11).checked("11 to 26", |c| (11..=26).contains(c));
const LOW: Setting<i16> = Setting::new("alarm.low", || -50);
const HIGH: Setting<i16> = Setting::new("alarm.high", || 310);
const NAME: Setting<Text<16>, 24> =
    Setting::new("station.name", || Text::try_from("harbour wall").unwrap_or_default());
const RATE: Setting<f64> = Setting::new("rate", || 0.5);
const ALL: [&dyn Declared; 4] = [&CHANNEL, &LOW, &HIGH, &NAME];

#[test]
fn ranges_are_kept_and_named() {
    let mut store = open(&part());
    for wrong in [0, 10, 27, 255] {
        let error = CHANNEL.save(&mut store, &wrong).unwrap_err();
        assert_eq!(error.to_string(), "setting 'radio.channel': out of range (allowed: 11 to 26)");
    }
    assert_eq!(store.usage().keys, 0);
    CHANNEL.save(&mut store, &26).unwrap();
    assert_eq!(CHANNEL.load(&mut store).unwrap().value, 26);
    // A later firmware with a narrower range.
    const NARROW: Setting<u8> = Setting::new("radio.channel", || 11).checked("11", |c| *c == 11);
    let (loaded, trouble) = NARROW.load_or_default(&mut store);
    assert_eq!((loaded.value, loaded.source), (11, Source::Default));
    assert!(matches!(trouble.unwrap().why, Why::OutOfRange { allowed: "11" }));
    assert!(CHANNEL.reset(&mut store).unwrap());
    assert_eq!(CHANNEL.load(&mut store).unwrap().source, Source::Default);
}

#[test]
fn too_long_names_the_key() {
    const SHORT: Setting<Text<40>, 16> = Setting::new("note", Text::new);
    let mut store = open(&part());
    let note = Text::try_from("more than fits into sixteen").unwrap();
    let error = SHORT.save(&mut store, &note).unwrap_err();
    assert_eq!((error.key, error.why), ("note", Why::TooLong { limit: 16 }));
    const LONG: Setting<Text<40>> = Setting::new("note", Text::new);
    LONG.save(&mut store, &note).unwrap();
    assert_eq!(SHORT.load(&mut store).unwrap_err().why, Why::TooLong { limit: 16 });
    // The same shape with a smaller capacity.
    const TIGHT: Setting<Text<8>> = Setting::new("note", Text::new);
    assert_eq!(TIGHT.load(&mut store).unwrap_err().why, Why::Undecodable);
}

#[test]
fn a_batch_is_all_or_nothing() {
    let part = part();
    let mut store = open(&part);
    let mut buffer = [0; 64];
    fn batch(buffer: &mut [u8], channel: u8) -> SettingBatch<'_, 3> {
        SettingBatch::new(buffer).set(&LOW, &-80).set(&CHANNEL, &channel).reset(&HIGH)
    }
    HIGH.save(&mut store, &1).unwrap();
    let error = batch(&mut buffer, 99).commit(&mut store).unwrap_err();
    assert_eq!((error.key, store.usage().keys), ("radio.channel", 1));
    let mut none = [0; 5];
    let error = batch(&mut none, 12).commit(&mut store).unwrap_err();
    assert!(matches!(error.why, Why::TooLong { .. }), "{error}");
    let error = SettingBatch::<1>::new(&mut buffer).reset(&LOW).reset(&HIGH).commit(&mut store);
    assert_eq!(error.unwrap_err().why, Why::TooMany { limit: 1 });
    // Cut at every step: before the last one nothing of the batch is there.
    let image = part.chip().image().clone();
    for step in 0.. {
        part.chip_mut().power_up(&image, Bias::ONES);
        let mut store = open(&part);
        let up = part.chip().step_count();
        part.chip_mut().cut_at(up + step, Tear::NOTHING);
        let done = batch(&mut buffer, 12).commit(&mut store).is_ok();
        let mut store = reopen(&part);
        let values = (LOW.load(&mut store), CHANNEL.load(&mut store), HIGH.load(&mut store));
        let values = (values.0.unwrap().value, values.1.unwrap().value, values.2.unwrap().value);
        assert_eq!(values, if done { (-80, 12, 310) } else { (-50, 11, 1) });
        if done {
            assert_eq!(step, 5, "the flag of the rest record, three records and the commit");
            break;
        }
    }
}

#[test]
fn a_migration_cut_anywhere_leaves_the_old_value_or_the_new_one() {
    let part = part();
    let old = ProfileV1 { period_s: 30, channel: 15 };
    V1.save(&mut open(&part), &old).unwrap();
    let image = part.chip().image().clone();
    let mut cuts = 0;
    for step in 0.. {
        part.chip_mut().power_up(&image, Bias::ONES);
        part.chip_mut().cut_at(step, Tear::NOTHING);
        let opened =
            Store::<Nor<1, 1>, 32>::open(part.nor(), Layout::serial_nor().with_sector_bytes(1024));
        let done = opened.ok().is_some_and(|mut store| {
            V2.load_migrating(&mut store, |old| old.read().map(two_from)).is_ok()
        });
        let mut store = reopen(&part);
        let loaded = V2.load_migrating(&mut store, |old| old.read().map(two_from)).unwrap();
        assert_eq!(loaded.value, two_from(old.clone()));
        if done {
            assert_eq!(loaded.source, Source::Stored);
            break;
        }
        cuts += 1;
    }
    assert!(cuts > 1);
}

#[test]
fn json_lines_are_readable_and_refuse_what_is_wrong() {
    let mut store = open(&part());
    CHANNEL.save(&mut store, &15).unwrap();
    NAME.save(&mut store, &Text::try_from("quay \"7\"").unwrap()).unwrap();
    let lines = export_json(&mut store, &ALL).unwrap();
    assert_eq!(
        lines,
        "{\"key\":\"radio.channel\",\"source\":\"stored\",\"value\":15}\n\
         {\"key\":\"alarm.low\",\"source\":\"default\",\"value\":-50}\n\
         {\"key\":\"alarm.high\",\"source\":\"default\",\"value\":310}\n\
         {\"key\":\"station.name\",\"source\":\"stored\",\"value\":\"quay \\\"7\\\"\"}\n"
    );
    let mut other = open(&part());
    LOW.save(&mut other, &1).unwrap();
    assert_eq!(import_json(&mut other, &ALL, &lines).unwrap(), 4);
    assert_eq!(export_json(&mut other, &ALL).unwrap(), lines);

    let before = export_json(&mut other, &ALL).unwrap();
    let good = lines.lines().next().unwrap();
    for (wrong, says) in [
        (good.replace("15", "27"), "setting 'radio.channel': out of range (allowed: 11 to 26)"),
        (good.replace("15", "\"x\""), "setting 'radio.channel': the text holds no value"),
        (good.replace("radio", "router"), "line 2: no setting 'router.channel' is declared"),
        (good.replace("value", "worth"), "line 2: unknown field `worth`"),
        ("{".to_owned(), "line 2: "),
    ] {
        let changed = good.replace("15", "16");
        let error = import_json(&mut other, &ALL, &format!("{changed}\n{wrong}\n")).unwrap_err();
        assert!(error.to_string().starts_with(says), "{error}");
        assert_eq!(export_json(&mut other, &ALL).unwrap(), before);
    }
    RATE.save(&mut store, &f64::NAN).unwrap();
    let error = export_json(&mut store, &[&RATE]).unwrap_err();
    assert!(matches!(error, JsonError::Setting(error) if error.why == Why::Unreadable));
}

#[test]
fn imports_are_checked_before_anything_is_stored() {
    let mut store = open(&part());
    CHANNEL.save(&mut store, &15).unwrap();
    LOW.save(&mut store, &3).unwrap();
    let mut exported = Vec::new();
    let (mut stored, mut entry) = ([0; 32], [0; 64]);
    let each = |bytes: &[u8]| exported.extend_from_slice(bytes);
    export(&mut store, &ALL, &mut stored, &mut entry, each).unwrap();
    let mut other = open(&part());
    let all = &ALL;
    let none = import::<_, 32, 1>(&mut other, all, &exported);
    assert_eq!(none, Err(ImportError::TooMany));
    let none = import::<_, 32, 4>(&mut other, &ALL[1..], &exported);
    assert_eq!(none, Err(ImportError::Unknown { entry: 0 }));
    let none = import::<_, 32, 4>(&mut other, all, &exported[..exported.len() - 1]);
    assert_eq!(none, Err(ImportError::Unreadable { entry: 1 }));
    let at = exported.iter().position(|byte| *byte == 15).unwrap();
    exported[at] = 200;
    let refused = import::<_, 32, 4>(&mut other, all, &exported);
    assert!(matches!(refused, Err(ImportError::Refused(e)) if e.key == "radio.channel"));
    assert_eq!(other.usage().keys, 0);
    exported[at] = 16;
    assert_eq!(import::<_, 32, 4>(&mut other, all, &exported), Ok(2));
    assert_eq!(CHANNEL.load(&mut other).unwrap().value, 16);
    let mut tiny = [0; 2];
    let error = export(&mut store, all, &mut tiny, &mut entry, |_| {}).unwrap_err();
    assert_eq!((error.key, error.why), ("radio.channel", Why::TooLong { limit: 2 }));
}

#[test]
fn errors_of_the_store_come_with_the_key() {
    let part = part();
    let mut store = open(&part);
    let up = part.chip().step_count();
    part.chip_mut().cut_at(up, Tear::NOTHING);
    let error = LOW.save(&mut store, &7).unwrap_err();
    assert!(matches!(error.why, Why::Store(Error::Flash(_))));
    assert_eq!(error.key, "alarm.low");
    let error = LOW.save(&mut store, &7).unwrap_err();
    assert_eq!(
        error.to_string(),
        "setting 'alarm.low': the store is not open, or an earlier call failed: open it again"
    );
    // The store could still be read, but this part answers nothing.
    let error = LOW.load(&mut store).unwrap_err();
    assert!(matches!(error.why, Why::Store(Error::ReopenNeeded)));
    assert_eq!(error.key, "alarm.low");
}

/// What a batch accepts can be loaded: it refuses what `save` refuses.
#[test]
fn a_batch_takes_no_more_bytes_than_a_setting_has() {
    const NAME: Setting<heapless::String<40>, 16> = Setting::new("name", heapless::String::new);
    let part = part();
    let mut store = open(&part);
    let name = heapless::String::try_from("the lower orchard by the river").unwrap();
    let mut buffer = [0; 64];
    let error = SettingBatch::<1>::new(&mut buffer).set(&NAME, &name).commit(&mut store);
    assert_eq!(error.unwrap_err().why, Why::TooLong { limit: 16 });
    assert_eq!(NAME.save(&mut store, &name).unwrap_err().why, Why::TooLong { limit: 16 });
    let name = heapless::String::try_from("the river").unwrap();
    SettingBatch::<1>::new(&mut buffer).set(&NAME, &name).commit(&mut store).unwrap();
    assert_eq!(NAME.load(&mut store).unwrap().value, name);
}
