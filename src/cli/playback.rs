//! `drawdown playback`: a recording onto virtual CAN interfaces at its own pace, to try the daemon without a car.
//!
//! Only calls [`crate::source::socketcan::playback`], which refuses every interface that is not virtual.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use super::{Outcome, say};
use crate::source::SystemClock;
use crate::source::socketcan::playback::{Onto, Settings, play};

#[derive(clap::Args)]
#[command(after_help = "Examples:\n  \
    drawdown playback drive.log.zst --onto vcan0\n  \
    drawdown playback drive.pcapng --onto can0=vcan0 --onto can1=vcan1 --speed 4")]
pub struct Arguments {
    /// Recordings: candump text (.gz, .zst too), pcap, pcapng, a run's folder
    #[arg(required = true, value_name = "RECORDING")]
    recordings: Vec<PathBuf>,
    /// The virtual interface (vcan, vxcan) that takes the frames; BUS= names one bus of the recording
    #[arg(long, required = true, value_name = "[BUS=]INTERFACE")]
    onto: Vec<Onto>,
    /// How many times faster than recorded
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0)]
    speed: f64,
}

pub fn run(arguments: &Arguments) -> Outcome {
    let stop = Arc::new(AtomicBool::new(false));
    for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
        // Where no handler can be set the signal ends the process at once, which loses nothing.
        let _ = signal_hook::flag::register(signal, Arc::clone(&stop));
    }
    let (recordings, onto) = (arguments.recordings.clone(), arguments.onto.clone());
    let settings = Settings { recordings, onto, speed: arguments.speed };
    match play(&settings, &SystemClock::new(), &stop) {
        Ok(played) => {
            println!(
                "{} frames sent, the latest {:.1} ms behind its time; {} error frames and {} frames of other buses left out",
                played.sent,
                played.latest.seconds() * 1e3,
                played.error_frames,
                played.other_buses
            );
            if played.damage > 0 {
                eprintln!("{} places of the recordings could not be read; the rest was sent", played.damage);
            }
            if played.damage > 0 { Outcome::WithFaults } else { Outcome::Done }
        }
        Err(fault) => say::not_done(&fault),
    }
}
