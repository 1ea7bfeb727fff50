//! The store beside a map.
//!
//! Goal: whatever sequence of calls, cuts and restarts there is, the store holds what the calls
//! say. Method: random operations on the store and on a `BTreeMap`, with cuts at random steps; a
//! sequence on which they disagree is shrunk.

use std::collections::BTreeMap;

use outlast_faultsim::part::{Bias, Chip, Geometry, Level, Nor, Part};
use outlast_kvstore::{Change, Error, Layout, Store};
use proptest::prelude::*;
use proptest_state_machine::{ReferenceStateMachine, StateMachineTest, prop_state_machine};
use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;

type Map = BTreeMap<u8, Vec<u8>>;
type Device = Store<Nor<1, 1>, 8>;

#[derive(Clone, Debug)]
enum Step {
    Put(u8, Vec<u8>),
    Delete(u8),
    Batch(Vec<(u8, Option<Vec<u8>>)>),
    Clear,
    Tidy,
    Reopen,
    /// The next operation is cut at its n-th program or erase step, and then this many recoveries
    /// are cut too.
    Cut {
        operation: Box<Self>,
        at: u64,
        recoveries: Vec<u64>,
        seed: u64,
    },
}

/// What the model allows: one map; after a cut two of them, until the store has been read.
#[derive(Clone, Debug)]
struct Model {
    before: Map,
    after: Map,
}

fn apply(map: &Map, step: &Step) -> Map {
    let mut map = map.clone();
    match step {
        Step::Put(key, value) => {
            map.insert(*key, value.clone());
        }
        Step::Delete(key) => {
            map.remove(key);
        }
        Step::Batch(changes) => {
            for (key, value) in changes {
                match value {
                    Some(value) => map.insert(*key, value.clone()),
                    None => map.remove(key),
                };
            }
        }
        Step::Clear => map.clear(),
        Step::Tidy | Step::Reopen => {}
        Step::Cut { operation, .. } => return apply(&map, operation),
    }
    map
}

fn value() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        4 => prop::collection::vec(any::<u8>(), 0..24),
        1 => prop::collection::vec(Just(0xFF), 0..60),
        1 => prop::collection::vec(Just(0), 0..60),
    ]
}

fn operation() -> BoxedStrategy<Step> {
    let change = (0..6_u8, prop::option::weighted(0.7, value()));
    prop_oneof![
        6 => (0..6_u8, value()).prop_map(|(key, value)| Step::Put(key, value)),
        2 => (0..6_u8).prop_map(Step::Delete),
        2 => prop::collection::vec(change, 1..4).prop_map(Step::Batch),
        1 => Just(Step::Clear),
        1 => Just(Step::Tidy),
    ]
    .boxed()
}

impl ReferenceStateMachine for Model {
    type State = Self;
    type Transition = Step;

    fn init_state() -> BoxedStrategy<Self> {
        Just(Self { before: Map::new(), after: Map::new() }).boxed()
    }

    fn transitions(_: &Self) -> BoxedStrategy<Step> {
        let cut = (operation(), 0..12_u64, prop::collection::vec(0..9_u64, 0..4), any::<u64>());
        prop_oneof![
            8 => operation(),
            1 => Just(Step::Reopen),
            3 => cut.prop_map(|(operation, at, recoveries, seed)| Step::Cut {
                operation: Box::new(operation), at, recoveries, seed
            }),
        ]
        .boxed()
    }

    fn apply(mut state: Self, step: &Step) -> Self {
        // Only the store knows which of the two maps holds. The test reads it and goes on with that
        // one, so the model keeps both.
        state.before = state.after.clone();
        state.after = apply(&state.after, step);
        state
    }
}

struct Real {
    part: Part,
    store: Option<Device>,
    /// What the store reported last.
    map: Map,
}

fn open(part: &Part) -> Result<Device, Error<outlast_faultsim::part::PartError>> {
    Store::open(part.nor(), Layout::serial_nor().with_sector_bytes(512).with_page_bytes(64))
}

impl Real {
    fn run(&mut self, step: &Step) -> Result<(), Error<outlast_faultsim::part::PartError>> {
        let Some(store) = &mut self.store else { panic!("no store") };
        match step {
            Step::Put(key, value) => store.put(&[*key], value),
            Step::Delete(key) => store.delete(&[*key]).map(|_| ()),
            Step::Batch(changes) => {
                let keys: Vec<[u8; 1]> = changes.iter().map(|(key, _)| [*key]).collect();
                let changes: Vec<Change<'_>> = changes
                    .iter()
                    .zip(&keys)
                    .map(|((_, value), key)| match value {
                        Some(value) => Change::put(key, value),
                        None => Change::delete(key),
                    })
                    .collect();
                store.commit(&changes)
            }
            Step::Clear => store.clear(),
            Step::Tidy => store.tidy(),
            Step::Reopen | Step::Cut { .. } => Ok(()),
        }
    }

    fn read(&mut self) -> Map {
        let Some(store) = &mut self.store else { panic!("no store") };
        let mut map = Map::new();
        let mut buffer = [0; 512];
        for key in 0..6 {
            if let Some(value) = store.get(&[key], &mut buffer).expect("get") {
                map.insert(key, value.to_vec());
            }
        }
        let mut listed = 0;
        store.for_each_key(|_, _| listed += 1).expect("list");
        assert_eq!(listed, map.len());
        map
    }

    fn power_up(&mut self, bias: Bias) {
        self.store = None;
        let image = self.part.chip().image().clone();
        self.part.chip_mut().power_up(&image, bias);
    }
}

struct Test;

impl StateMachineTest for Test {
    type SystemUnderTest = Real;
    type Reference = Model;

    fn init_test(_: &Model) -> Real {
        let geometry = Geometry::new(4, 512, 1, 64).expect("a valid geometry");
        let part = Part::new(Chip::new(geometry));
        let store = Some(open(&part).expect("open"));
        Real { part, store, map: Map::new() }
    }

    fn apply(mut real: Real, _: &Model, step: Step) -> Real {
        let wanted = apply(&real.map, &step);
        if let Step::Cut { operation, at, recoveries, seed } = &step {
            let mut random = ChaCha8Rng::seed_from_u64(*seed);
            real.part.chip_mut().record_steps(false);
            let so_far = real.part.chip().step_count();
            let drawn = ChaCha8Rng::from_rng(&mut random);
            real.part.chip_mut().cut_randomly(so_far + at, Level::F4, drawn);
            let done = real.run(operation).is_ok();
            for (number, at) in recoveries.iter().enumerate() {
                real.power_up(Bias::seeded(seed.wrapping_add(number as u64)));
                let drawn = ChaCha8Rng::from_rng(&mut random);
                real.part.chip_mut().cut_randomly(*at, Level::F4, drawn);
                drop(open(&real.part));
            }
            real.power_up(Bias::flicker(*seed));
            real.store = Some(open(&real.part).expect("open after the cuts"));
            let map = real.read();
            assert!(map == wanted || (!done && map == real.map), "{map:?} after {step:?}");
            real.map = map;
        } else {
            if matches!(step, Step::Reopen) {
                real.power_up(Bias::ONES);
                real.store = Some(open(&real.part).expect("open"));
            }
            real.run(&step).expect("an operation without a cut");
            real.map = wanted;
            assert_eq!(real.read(), real.map);
        }
        let violations = real.part.chip().violations().to_vec();
        assert!(violations.is_empty(), "{violations:?}");
        real
    }
}

prop_state_machine! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_store_agrees_with_a_map_whatever_is_cut(sequential 1..60 => Test);
}
