//! Cuts at every moment of the bus.
//!
//! Goal: store and driver together keep their promises wherever the run ends, also in the middle of
//! a command. Method: one short workload is run again and again and ended at each moment in turn,
//! by a power cut or by a reset of the microcontroller alone; the oracle then checks two power-ups.

use crate::check::finding::Finding;
use crate::check::oracle::{Effect, Oracle, Values};
use crate::check::session::{Ended, Session};
use crate::part::{Bias, BusCut, CutTear, Geometry, Image, Level};
use crate::subject::Op;
use crate::subjects::outlast_spi::OutlastSpi;
use crate::workload::source::WorkloadSource;
use crate::workload::{Workload, mixed};

use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;

struct Bench<'life> {
    session: Session<'life, OutlastSpi>,
    workload: &'life Workload,
    values: Values,
    image: Image,
}

impl Bench<'_> {
    /// Runs the workload until it is ended at this moment. Returns `None` if it was over before.
    fn live(&mut self, moment: u64, reset: bool) -> Result<Option<Oracle>, Finding> {
        let mut oracle = Oracle::new(self.workload.keys.len());
        let blank = Image::blank(&geometry());
        self.session.power_up(&blank, Bias::stored(), false);
        let rng = Box::new(ChaCha8Rng::seed_from_u64(mixed(moment)));
        let power = BusCut::Power(CutTear::Drawn { level: Level::F4, rng });
        let cut = if reset { BusCut::Reset } else { power };
        self.session.part.chip_mut().cut_on_bus(moment, cut);
        let Some(mut store) = self.session.open()? else { return Ok(Some(oracle)) };
        for op in self.workload.ops.iter().filter(|op| **op != Op::Reopen) {
            oracle.invoke(&Effect::of(op, &mut self.values));
            match self.session.apply(&mut store, op)? {
                Ended::Cut => return Ok(Some(oracle)),
                Ended::Done => oracle.ok(),
                Ended::Failed => unreachable!("no sector is bad"),
                Ended::Full | Ended::Refused => oracle.refused(),
            }
        }
        // The last moments are those of reading the settings.
        self.session.read_all(&mut store, &mut oracle, &self.values)?;
        Ok(self.session.part.chip().is_off().then_some(oracle))
    }

    /// Checks two power-ups, with a change after each.
    fn judge(&mut self, mut oracle: Oracle, moment: u64) -> Result<(), Finding> {
        oracle.cut();
        for round in 0..2 {
            if self.session.part.chip().is_reset() {
                self.session.restart();
            } else {
                self.image.copy_from(self.session.part.chip().image());
                self.session.power_up(&self.image, Bias::flicker(moment + round), false);
            }
            let mut store = self.session.open()?.expect("there is no cut");
            self.session.read_all(&mut store, &mut oracle, &self.values)?;
            let op = Op::Put { key: 0, value: vec![round as u8; 3] };
            oracle.invoke(&Effect::of(&op, &mut self.values));
            assert_eq!(self.session.apply(&mut store, &op)?, Ended::Done);
            oracle.ok();
            self.session.read_all(&mut store, &mut oracle, &self.values)?;
            oracle.cut();
        }
        Ok(())
    }
}

fn geometry() -> Geometry {
    Geometry::new(3, 512, 1, 64).unwrap()
}

fn sweep(reset: bool) -> u64 {
    let workload = WorkloadSource::Random { seed: 5, ops: 10 }.build(&geometry());
    let subject = OutlastSpi::default();
    let session = Session::new(&subject, &geometry(), &workload.keys, workload.may_fill);
    let (values, image) = (Values::new(), Image::blank(&geometry()));
    let mut bench = Bench { session, workload: &workload, values, image };
    for moment in 0.. {
        let ended = bench.live(moment, reset);
        let judged = match ended {
            Ok(None) => return moment,
            Ok(Some(oracle)) => bench.judge(oracle, moment),
            Err(finding) => Err(finding),
        };
        if let Err(finding) = judged {
            panic!("moment {moment}, reset {reset}: {}", finding.sentence);
        }
    }
    unreachable!("the workload ends")
}

#[test]
fn power_is_cut_at_every_moment() {
    // There are far more moments than steps: commands and busy time are among them.
    let moments = sweep(false);
    assert!(moments > 2_000, "{moments}");
}

#[test]
fn the_microcontroller_is_reset_at_every_moment() {
    let moments = sweep(true);
    assert!(moments > 2_000, "{moments}");
}
