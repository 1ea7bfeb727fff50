//! The store on bare metal, with a flash or a bus that the compiler knows nothing about.
#![no_std]
#![no_main]

#[cfg(feature = "chip")]
mod chip;
#[cfg(not(feature = "chip"))]
mod flash;
mod panic;
#[cfg(feature = "settings")]
mod profile;

use core::hint::black_box;

use outlast_kvstore::{Layout, Store};

#[cfg(feature = "chip")]
use crate::chip::{Flash, flash};
#[cfg(not(feature = "chip"))]
use crate::flash::{Flash, flash};

/// Entry point. Only the attribute is unsafe here.
#[unsafe(no_mangle)]
pub extern "C" fn _start() -> ! {
    let layout = Layout::serial_nor().with_range(0..16384);
    // By reference, so that the store is not moved.
    if let Ok(flash) = flash()
        && let Ok(store) = &mut Store::<Flash, 64>::open(flash, layout)
    {
        let mut buffer = [0; 32];
        let _ = black_box(store.put("radio.channel", black_box(&[11])));
        let _ = black_box(store.get("radio.channel", &mut buffer).is_ok());
        let _ = black_box(store.delete("radio.channel"));
        #[cfg(feature = "all")]
        {
            use outlast_kvstore::Change;
            let _ = black_box(store.commit(&[Change::put("a", &[1]), Change::delete("b")]));
            let _ = black_box(store.for_each_key(|key, len| {
                black_box((key, len));
            }));
            let _ = black_box(store.tidy());
            let _ = black_box(store.rest());
            let _ = black_box(store.scrub());
            let _ = black_box((store.contains("a"), store.value_len("a"), store.fits(1, 2)));
            let _ = black_box(store.is_doubtful("a"));
            let _ = black_box(store.for_each_value(&mut buffer, |item| {
                black_box(item);
                core::ops::ControlFlow::<()>::Continue(())
            }));
            let _ = black_box(store.clear());
            black_box(store.usage());
        }
        #[cfg(feature = "copy")]
        if let Ok(other) = crate::flash::flash()
            && let Ok(other) = &mut Store::<Flash, 64>::format(other, Layout::serial_nor())
        {
            let _ = black_box(store.copy_to(other, black_box("moved"), &mut buffer));
        }
        #[cfg(feature = "settings")]
        settings(store);
        #[cfg(feature = "counters")]
        let _ = black_box((store.tick(black_box("boots")), store.count("boots")));
        #[cfg(feature = "ids")]
        if let Ok(mut ids) = outlast_kvstore::Ids::<16>::open(store, black_box("message")) {
            let _ = black_box(ids.next(store));
        }
        #[cfg(feature = "region")]
        {
            use outlast_kvstore::Region;
            use outlast_kvstore::embedded_storage::{ReadStorage, Storage};
            if let Ok(mut rom) = Region::<_, 64>::new(store, "rom", 1024) {
                let _ = black_box(rom.write(black_box(7), &buffer));
                let _ = black_box(rom.read(black_box(9), &mut buffer));
            }
        }
        #[cfg(feature = "since")]
        {
            let mark = black_box(store.mark());
            let _ = black_box(store.for_each_changed_since(&mark, |key, len| {
                black_box((key, len));
            }));
        }
    }
    loop {}
}

/// Uses a setting that is a number, and one that is a struct of six fields with a migration.
#[cfg(feature = "settings")]
fn settings(store: &mut Store<Flash, 64>) {
    use crate::profile::{CHANNEL, PROFILE, Profile, Version1};

    let _ = black_box(CHANNEL.save(store, &black_box(15)));
    let _ = black_box(CHANNEL.load(store).is_ok());
    let loaded = PROFILE.load_migrating(store, |old| {
        let Version1 { period } = old.read()?;
        Some(Profile { period: period.into(), ..PROFILE.default_value() })
    });
    if let Ok(loaded) = loaded {
        let _ = black_box(PROFILE.save(store, &loaded.value));
        #[cfg(feature = "batch")]
        {
            let mut buffer = [0; 64];
            let batch = outlast_kvstore::settings::SettingBatch::<2>::new(&mut buffer);
            let batch = batch.set(&CHANNEL, &black_box(20)).set(&PROFILE, &loaded.value);
            let _ = black_box(batch.commit(store).is_ok());
        }
        #[cfg(feature = "transfer")]
        {
            use outlast_kvstore::settings::{Declared, export, import};
            let all: [&dyn Declared; 2] = [&CHANNEL, &PROFILE];
            let (mut stored, mut entry) = ([0; 64], [0; 96]);
            let each = |bytes: &[u8]| {
                black_box(bytes);
            };
            let _ = black_box(export(store, &all, &mut stored, &mut entry, each).is_ok());
            let imported = import::<_, 64, 2>(store, black_box(&all), black_box(&entry));
            let _ = black_box(imported.is_ok());
        }
    }
}
