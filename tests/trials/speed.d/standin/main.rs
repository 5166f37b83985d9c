//! The trial `speed`, what live reading costs: a stand-in for CAN sockets where the kernel has none, and the way of a frame
//! behind it.
//!
//! `trials standin receive STYLE LOG MAP SECONDS FOLDER` receives the frames of three full buses, sent one by one by another process,
//! in one of four styles and prints frames, processor time and drops; `trials standin path STYLE LOG MAP FRAMES FOLDER` takes frames
//! the same way without a kernel, for counting instructions. `trials standin send` is the other process. Judges nothing: `live.py`
//! beside it does. A frame is a datagram of 16 bytes (linux/can.h, `struct can_frame`) on the loopback; what a CAN driver costs is
//! in none of it.

mod path;
mod receive;
mod send;
mod source;

use std::path::Path;

/// Frames a second of a full 500 kbit/s bus, 8 bytes each.
const FULL_BUS: u64 = 4_374;
/// As many buses as the log has.
const BUSES: usize = 3;

/// What goes wrong here ends the trial.
type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

/// The part, with the arguments that follow its name.
pub fn run(arguments: &[&str]) -> Outcome<()> {
    match arguments[..] {
        ["send", log, seconds, ref ports @ ..] => send::send(Path::new(log), seconds.parse()?, ports),
        ["receive", style, log, map, seconds, folder] => {
            receive::receive(style, Path::new(log), Path::new(map), seconds, Path::new(folder))
        }
        ["path", style, log, map, frames, folder] => {
            path::path(style, Path::new(log), Path::new(map), frames.parse()?, Path::new(folder))
        }
        _ => Err("usage: trials standin receive blocking|bare|batch|recording LOG MAP SECONDS FOLDER | path none|ledger|recording LOG MAP FRAMES FOLDER | send LOG SECONDS PORT...".into()),
    }
}
