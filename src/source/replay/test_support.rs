//! What the readers' tests share.

use super::Recording;
use crate::observation::{Batch, BusNames};
use crate::source::Damage;

/// All that a recording gave.
#[derive(PartialEq, Debug)]
pub struct Everything {
    pub batch: Batch,
    pub names: BusNames,
    pub damage: Damage,
}

/// Reads a recording to its end.
pub fn everything(recording: &mut dyn Recording, batch: usize) -> Everything {
    recording.set_batch(batch);
    let (mut into, mut names) = (Batch::default(), BusNames::default());
    while recording.read(&mut into, &mut names).unwrap() {}
    Everything { batch: into, names, damage: recording.damage().clone() }
}
