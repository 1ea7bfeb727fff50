//! The settings of the measurements: a number, and a struct of six fields with an earlier version.
//! The image that measures stack uses them too.

use outlast_kvstore::settings::Setting;
use postcard_schema::Schema;
use serde::{Deserialize, Serialize};

#[derive(Serialize, Deserialize, Schema)]
pub(crate) enum Uplink {
    Off,
    Radio { channel: u8 },
    Wire(u32),
}

#[derive(Serialize, Deserialize, Schema)]
pub(crate) struct Version1 {
    pub(crate) period: u16,
}

#[derive(Serialize, Deserialize, Schema)]
pub(crate) struct Profile {
    pub(crate) period: u32,
    pub(crate) burst: Option<u8>,
    pub(crate) uplink: Uplink,
    pub(crate) datum: f32,
    pub(crate) levels: [i16; 4],
    pub(crate) enabled: bool,
}

pub(crate) const CHANNEL: Setting<u8> =
    Setting::new("radio.channel", || 11).checked("11 to 26", |c| (11..=26).contains(c));
pub(crate) const PROFILE: Setting<Profile> = Setting::new("profile", || Profile {
    period: 60,
    burst: None,
    uplink: Uplink::Off,
    datum: 0.0,
    levels: [0; 4],
    enabled: true,
});
