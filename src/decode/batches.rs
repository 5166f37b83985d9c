//! Batches decoded by whoever helps, and handed back in the order in which they were given out.
//!
//! So what follows does not hang on how many help. Decides nothing about a batch: it comes back as it was, with the values of its frames
//! beside it. What is not a frame is rare and left to the one [`Decoder`].

use std::sync::Arc;

use super::compiled::Compiled;
use super::counts::Counts;
use super::decoder::{Decoded, Decoder};
use crate::observation::{Batch, BusNames, Frame};
use crate::workers::{InOrder, Workers};

/// Batches that are given out for each thread before one is waited for.
const AHEAD: usize = 1;
/// Frames that are decoded at a time: a batch in which they piled up while nobody took it would ask for as much room for its values.
const PIECE: usize = 16_384;

/// Decodes batches of one map.
pub struct Batches {
    decoder: Decoder,
    given_out: InOrder<DecodedBatch>,
    /// Memory for the batches after these.
    spare: Vec<DecodedBatch>,
}

/// A batch with what its frames say.
pub struct DecodedBatch {
    batch: Batch,
    compiled: Arc<Compiled>,
    found: Vec<Found>,
    /// The values of the frames found, end to end; behind them, room.
    values: Vec<f64>,
    counts: Counts,
}

/// A frame that a message claims.
#[derive(Clone, Copy)]
struct Found {
    frame: u32,
    message: u16,
}

impl Batches {
    /// Decodes as this decoder does, which counts for all.
    pub fn new(decoder: Decoder, workers: Workers) -> Self {
        Self { decoder, given_out: InOrder::new(workers, AHEAD), spare: Vec::new() }
    }

    /// The decoder, for what is not a frame. Frames are in its counts once their batch came back.
    pub fn decoder(&mut self) -> &mut Decoder {
        &mut self.decoder
    }

    /// What was seen and dropped in the batches that came back.
    pub fn counts(&self) -> &Counts {
        self.decoder.counts()
    }

    /// Finds the messages' buses by name, in the batches given out from now on.
    pub fn set_buses(&mut self, names: &BusNames) {
        self.decoder.set_buses(names);
    }

    /// Gives out a batch in time order and leaves an empty one; of a long one the first piece, and leaves the rest. Alone, it is decoded when
    /// this returns.
    pub fn give_out(&mut self, batch: &mut Batch) {
        let mut decoded = self.spare.pop().unwrap_or_else(|| DecodedBatch::new(&self.decoder));
        match (batch.frames.first(), batch.frames.get(PIECE)) {
            (Some(first), Some(next)) if next.at > first.at => decoded.batch = batch.take_before(next.at),
            _ => std::mem::swap(batch, &mut decoded.batch),
        }
        decoded.compiled.clone_from(&self.decoder.compiled);
        self.given_out.give_out(move || {
            decoded.decode();
            decoded
        });
    }

    /// The batch that was given out first, if it is decoded or there are so many that it must be waited for.
    pub fn due(&mut self) -> Option<DecodedBatch> {
        let due = self.given_out.due();
        self.count(due)
    }

    /// The batch that was given out first, waited for.
    pub fn take_first(&mut self) -> Option<DecodedBatch> {
        let first = self.given_out.take_first();
        self.count(first)
    }

    fn count(&mut self, back: Option<DecodedBatch>) -> Option<DecodedBatch> {
        back.inspect(|decoded| self.decoder.add_counts(&decoded.counts))
    }

    /// Takes back what is no longer needed, for its memory, unless that is far more than a batch takes.
    pub fn take_back(&mut self, mut used: DecodedBatch) {
        if used.batch.frames.capacity() <= 2 * PIECE {
            used.clear();
            self.spare.push(used);
        }
    }
}

impl DecodedBatch {
    fn new(decoder: &Decoder) -> Self {
        let counts = Counts::default().shaped_like(decoder.counts());
        let (batch, compiled) = (Batch::default(), Arc::clone(&decoder.compiled));
        Self { batch, compiled, found: Vec::new(), values: Vec::new(), counts }
    }

    fn clear(&mut self) {
        self.batch.clear();
        self.found.clear();
        self.counts.clear();
    }

    fn decode(&mut self) {
        let Self { batch, compiled, found, values, counts } = self;
        let mut at = 0;
        for (index, frame) in (0..).zip(&batch.frames) {
            let Some(message) = compiled.find(frame, counts) else { continue };
            let end = at + compiled.width(message);
            if values.len() < end {
                // Twice as much each time: what was made room for stays with the batch's memory.
                values.resize(2 * end, f64::NAN);
            }
            if compiled.bytes(message, batch.payload(frame), &mut values[at..end], counts).is_some() {
                // A map's messages are numbered in 16 bits (`ids`).
                found.push(Found { frame: index, message: message as u16 });
                at = end;
            }
        }
    }

    /// The observations, as they were given out.
    pub fn batch(&self) -> &Batch {
        &self.batch
    }

    /// The frames that messages claim, in the batch's order, and what each says.
    #[inline]
    pub fn frames(&self) -> impl Iterator<Item = (&Frame, Decoded<'_>)> {
        let mut values = &self.values[..];
        self.found.iter().map(move |found| {
            let message = usize::from(found.message);
            let (of_frame, rest) = values.split_at(self.compiled.width(message));
            values = rest;
            let decoded = Decoded { message, values: of_frame, taps: self.compiled.taps(message) };
            (&self.batch.frames[found.frame as usize], decoded)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::map::Map;
    use crate::observation::{Bus, FrameFlags, Item, Stamped};
    use crate::time::Steady;
    use proptest::prelude::*;

    /// A plain message, one with floats and ranges, one on a bus of its own, a long one, and one with a switch.
    const MAP: &str = "
        [[message]]
        name = 'PLAIN'
        id = 1
        length = 8
        signal = [{ name = 'A', start = 0, length = 16, type = 'signed', scale = 0.1 }, { name = 'B', start = 16, length = 8 }]
        [[message]]
        name = 'FLOAT'
        id = 2
        length = 8
        signal = [
            { name = 'C', start = 0, length = 32, type = 'float32' },
            { name = 'D', start = 32, length = 16, range = [1, 60000], not_available = [0xFFFF] },
        ]
        [[message]]
        name = 'BUS'
        id = 1
        bus = 'can1'
        length = 2
        signal = [{ name = 'E', start = 0, length = 12 }]
        [[message]]
        name = 'LONG'
        id = 3
        extended = true
        length = 64
        signal = [{ name = 'F', start = 500, length = 12 }]
        [[message]]
        name = 'SWITCHED'
        id = 4
        length = 8
        signal = [
            { name = 'G', start = 0, length = 1 },
            { name = 'H', start = 8, length = 8, switch = 'G', when = [0] },
            { name = 'I', start = 8, length = 16, switch = 'G', when = [1] },
        ]
        [roles.speed]
        signal = 'PLAIN.A'
        unit = 'km/h'
    ";

    fn map() -> Map {
        let loaded = crate::map::from_text("map.toml", MAP, None);
        loaded.map.unwrap_or_else(|| panic!("{:?}", loaded.faults))
    }

    fn names(known: usize) -> BusNames {
        let mut names = BusNames::default();
        ["can0", "can1"][..known].iter().for_each(|name| assert!(names.intern(name).is_some()));
        names
    }

    fn any_batch() -> impl Strategy<Value = Batch> {
        let frame = (0..2u8, 0..5u32, 0..16u8, proptest::collection::vec(any::<u8>(), 0..=64));
        proptest::collection::vec(frame, 0..40).prop_map(|frames| {
            let mut batch = Batch::default();
            for (at, (bus, id, flags, payload)) in (0..).zip(frames) {
                // Mostly data frames of a classic length.
                let flags = FrameFlags(if flags & 8 == 0 { flags & 1 } else { flags });
                let length = if flags.has(FrameFlags::REMOTE) { 0 } else { payload.len() };
                let payload = if flags.has(FrameFlags::FD) { &payload[..length] } else { &payload[..length.min(8)] };
                batch.push(Steady(at), Bus(bus), id, flags, payload);
            }
            batch
        })
    }

    /// The frames that messages claim: stamp, message, bits of the values, roles.
    type Said = Vec<(Steady, usize, Vec<u64>, Vec<usize>)>;

    fn said(frame: &Frame, decoded: &Decoded<'_>) -> (Steady, usize, Vec<u64>, Vec<usize>) {
        let bits = decoded.values.iter().map(|value| value.to_bits()).collect();
        (frame.at, decoded.message, bits, decoded.taps.iter().map(|tap| tap.role).collect())
    }

    fn one_by_one(map: &Map, given: &[(Batch, usize)]) -> (Said, Counts) {
        let (mut decoder, mut all) = (Decoder::new(map), Said::new());
        for (batch, known) in given {
            decoder.set_buses(&names(*known));
            for frame in &batch.frames {
                all.extend(decoder.frame(frame, batch.payload(frame)).map(|decoded| said(frame, &decoded)));
            }
        }
        (all, decoder.counts().clone())
    }

    fn in_batches(map: &Map, given: &[(Batch, usize)], workers: &Workers) -> (Said, Counts) {
        let (mut batches, mut all, mut back) = (Batches::new(Decoder::new(map), workers.clone()), Said::new(), 0);
        let mut take = |batches: &mut Batches, decoded: DecodedBatch| {
            assert_eq!(decoded.batch(), &given[back].0, "comes back in its turn, as it was");
            back += 1;
            all.extend(decoded.frames().map(|(frame, message)| said(frame, &message)));
            batches.take_back(decoded);
        };
        for (batch, known) in given {
            batches.set_buses(&names(*known));
            let mut leaves = batch.clone();
            batches.give_out(&mut leaves);
            assert!(leaves.is_empty());
            while let Some(decoded) = batches.due() {
                take(&mut batches, decoded);
            }
        }
        while let Some(decoded) = batches.take_first() {
            take(&mut batches, decoded);
        }
        assert_eq!(back, given.len());
        (all, batches.counts().clone())
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        /// No outside source here: values are held to cantools in `tests/whole/decode.rs`.
        #[test]
        fn batches_say_what_their_frames_say_one_by_one(given in proptest::collection::vec(any_batch(), 0..12), renamed in 0..12usize) {
            let map = map();
            // The second bus is named on the way: it counts for what is given out from there on, however late that is decoded.
            let given: Vec<(Batch, usize)> =
                given.into_iter().enumerate().map(|(index, batch)| (batch, if index < renamed { 1 } else { 2 })).collect();
            let expected = one_by_one(&map, &given);
            prop_assert_eq!(&in_batches(&map, &given, &Workers::alone()), &expected);
            for threads in [2, 4] {
                prop_assert_eq!(&Workers::with(threads, |workers| in_batches(&map, &given, workers)), &expected);
            }
        }
    }

    #[test]
    fn a_long_batch_comes_back_in_pieces() {
        let mut long = Batch::default();
        for n in 0..3 * PIECE as i64 + 7 {
            // Several of one moment stay together.
            long.push(Steady(n - n % 5), Bus(0), 1, FrameFlags(0), &n.to_le_bytes());
            if n % 1000 == 0 {
                long.rest.push(Stamped { at: Steady(n), item: Item::Supply(n as f64) });
            }
        }
        let (mut whole, mut last, mut pieces) = (Batch::default(), None, 0);
        let mut batches = Batches::new(Decoder::new(&map()), Workers::alone());
        let mut left = long.clone();
        while !left.is_empty() {
            batches.give_out(&mut left);
            let decoded = batches.due().expect("alone, at once");
            let piece = decoded.batch();
            assert!(piece.frames.len() <= PIECE && piece.first() > last, "{:?} after {last:?}", piece.first());
            assert_eq!(decoded.frames().count(), piece.frames.len());
            (last, pieces) = (piece.last(), pieces + 1);
            whole.frames.extend_from_slice(&piece.frames);
            whole.rest.extend_from_slice(&piece.rest);
        }
        assert_eq!((whole, pieces), (long, 4));
        // What is all of one moment can't be parted.
        let mut long = Batch::default();
        (0..=2 * PIECE).for_each(|_| long.push(Steady(1), Bus(0), 1, FrameFlags(0), &[]));
        batches.give_out(&mut long);
        assert_eq!(batches.take_first().map(|decoded| decoded.batch().frames.len()), Some(2 * PIECE + 1));
    }

    #[test]
    fn the_map_of_this_test_says_something() {
        let mut batch = Batch::default();
        for (bus, id, flags) in [(0, 1, 0), (1, 1, 0), (0, 2, 0), (0, 3, FrameFlags::EXTENDED), (0, 9, 0), (0, 4, 0)] {
            batch.push(Steady(0), Bus(bus), id, FrameFlags(flags), &[1; 64]);
        }
        let (all, counts) = in_batches(&map(), &[(batch, 2)], &Workers::alone());
        assert_eq!(
            all.iter().map(|(_, message, values, _)| (*message, values.len())).collect::<Vec<_>>(),
            [(0, 2), (2, 1), (1, 2), (3, 1), (4, 3)]
        );
        assert!(f64::from_bits(all[4].2[1]).is_nan(), "what the switch leaves out");
        assert_eq!((all[0].3.len(), counts.unknown_frames), (1, 1));
    }
}
