//! All bytes of a simulated part, and all settings of a store.

use std::collections::BTreeMap;
use std::ops::ControlFlow;

use outlast_faultsim::part::{Bias, Image, Part};
use outlast_kvstore::Store;
use outlast_kvstore::embedded_storage::nor_flash::NorFlash;

pub(crate) type Content = BTreeMap<Vec<u8>, Vec<u8>>;

pub(crate) fn bytes(part: &Part) -> Vec<u8> {
    part.chip().image().bytes().to_vec()
}

/// Starts a power-up in which the part holds these bytes.
pub(crate) fn power_up(part: &Part, bytes: &[u8]) {
    let image = Image::from_bytes(&part.chip().geometry(), bytes).unwrap();
    part.chip_mut().power_up(&image, Bias::ONES);
}

/// All settings. They have values of up to 400 bytes.
pub(crate) fn content<F: NorFlash, const N: usize>(store: &mut Store<F, N>) -> Content {
    let mut content = Content::new();
    let end: Option<()> = store
        .for_each_value(&mut [0; 400], |item| {
            content.insert(item.key.to_vec(), item.value.expect("short values").to_vec());
            ControlFlow::Continue(())
        })
        .expect("values");
    assert_eq!(end, None);
    content
}
