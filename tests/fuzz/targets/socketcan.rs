//! Fuzz target: what a kernel gives for a CAN frame, and its answer about an interface. Judges no result beyond what it asserts.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    use drawdown::observation::{Batch, Bus};
    use drawdown::source::socketcan::{link, wire};
    use drawdown::time::Steady;
    let Some((choice, data)) = data.split_first() else { return };
    let _ = link::Link::read(data);
    // Frames have two lengths only: without help nearly every input would be of neither.
    let length = match choice % 4 {
        0 => data.len(),
        1 => wire::CLASSIC,
        _ => wire::FD,
    };
    let (frame, control) = data.split_at(length.min(data.len()));
    wire::Control::read(control);
    if let Ok(frame) = wire::Received::read(frame, choice & 128 != 0) {
        let mut batch = Batch::default();
        frame.push(Steady(0), Bus(0), &mut batch);
        assert_eq!(batch.payload(&batch.frames[0]), frame.payload);
    }
});
