//! Decoder and ledger, fed as the recorder feeds them. Keeps no file.

use drawdown::decode::{Batches, DecodedBatch, Decoder};
use drawdown::ledger::{Ledger, Sums};
use drawdown::map::Map;
use drawdown::observation::{Batch, BusNames};
use drawdown::time::{RunTime, Steady};
use drawdown::workers::Workers;

pub struct Books {
    decoding: Batches,
    ledger: Ledger,
    origin: Option<Steady>,
    last: RunTime,
    pub frames: u64,
    /// Frames that messages claim.
    pub decoded: u64,
}

impl Books {
    pub fn new(map: &Map, workers: &Workers) -> Self {
        Self {
            decoding: Batches::new(Decoder::new(map), workers.clone()),
            ledger: Ledger::for_map(map),
            origin: None,
            last: RunTime(0),
            frames: 0,
            decoded: 0,
        }
    }

    /// Takes a batch and leaves it empty.
    pub fn take(&mut self, batch: &mut Batch, names: &BusNames) {
        self.decoding.set_buses(names);
        while !batch.is_empty() {
            self.decoding.give_out(batch);
            while let Some(decoded) = self.decoding.due() {
                self.fold(decoded);
            }
        }
    }

    fn fold(&mut self, decoded: DecodedBatch) {
        let frames = &decoded.batch().frames;
        if let (Some(first), Some(last)) = (frames.first(), frames.last()) {
            let origin = *self.origin.get_or_insert(first.at);
            for (frame, message) in decoded.frames() {
                self.decoded += 1;
                for tap in message.taps {
                    if let Some(value) = tap.value(message.values) {
                        self.ledger.sample(tap.role, RunTime((frame.at - origin).0), value);
                    }
                }
            }
            self.frames += frames.len() as u64;
            self.last = RunTime((last.at - origin).0);
            self.ledger.reach(self.last);
            self.ledger.drain_trace(|_| {});
        }
        self.decoding.take_back(decoded);
    }

    /// Ends the books where the last frame stands; their sums.
    pub fn finish(&mut self) -> Sums {
        while let Some(decoded) = self.decoding.take_first() {
            self.fold(decoded);
        }
        self.ledger.finish(self.last);
        self.ledger.sums()
    }
}

/// Net energy out of the pack, J.
pub fn net(sums: &Sums) -> f64 {
    sums.energy_out - sums.energy_in
}
