//! What the trials of endurance need of the library: traffic, a soak, write volume, the time of closing.
//!
//! Only called by the scripts in `tests/trials`; see `docs/reliability.md` for the commands.

mod soak;
mod traffic;
mod volume;

use std::io::{BufWriter, Write};
use std::path::PathBuf;
use std::sync::Arc;

use drawdown::map::Map;

/// A number among the arguments.
fn number<T: std::str::FromStr>(arguments: &[&str], index: usize, default: T) -> T {
    arguments.get(index).and_then(|text| text.parse().ok()).unwrap_or(default)
}

fn map(folder: &std::path::Path) -> Arc<Map> {
    std::fs::create_dir_all(folder).expect("a folder");
    let path = folder.join("map.toml");
    std::fs::write(&path, traffic::map()).expect("a map");
    let loaded = drawdown::map::load(&path);
    Arc::new(loaded.map.unwrap_or_else(|| panic!("{:?}", loaded.faults)))
}

/// The part, with the arguments that follow its name.
pub fn run(arguments: &[&str]) -> std::process::ExitCode {
    let folder = arguments.get(1).map_or_else(|| PathBuf::from("."), PathBuf::from);
    match arguments.first().copied() {
        // log FOLDER SECONDS BUSES EVERY DRIVE_S SLEEP_S SEED: a log and its map.
        Some("log") => {
            map(&folder);
            let mut out = BufWriter::new(std::fs::File::create(folder.join("drive.log")).expect("a log"));
            let mut traffic =
                traffic::Traffic::new(number(arguments, 3, 3), number(arguments, 4, 1), number(arguments, 7, 1));
            let pattern = (number(arguments, 5, 1e9), number(arguments, 6, 0.0));
            traffic::write_log(&mut out, &mut traffic, number(arguments, 2, 10.0), pattern).expect("written");
            out.flush().expect("written");
        }
        // volume FOLDER SECONDS: what an hour writes, for one and three buses and three intervals.
        Some("volume") => {
            for buses in [3, 1] {
                for sync_s in [1, 2, 5] {
                    let map = map(&folder);
                    volume::volume(&folder.join("DATA"), &map, buses, number(arguments, 2, 3_600), sync_s);
                }
            }
        }
        // close FOLDER SECONDS: how long a run takes to close.
        Some("close") => volume::close(&folder.join("DATA"), &map(&folder), number(arguments, 2, 300)),
        // soak FOLDER HOURS
        Some("soak") => {
            let held = soak::soak(&folder, &map(&folder), number(arguments, 2, 72));
            return if held { std::process::ExitCode::SUCCESS } else { std::process::ExitCode::FAILURE };
        }
        _ => {
            eprintln!("trials endure: log, volume, close or soak, see docs/reliability.md");
            return std::process::ExitCode::from(2);
        }
    }
    std::process::ExitCode::SUCCESS
}
