//! The invented drives of the trial `kills`, as candump text, and their energy by arithmetic of its own.
//!
//! Uses nothing of the library but the name of a run: the energy of the first frames of a drive is what a recovered run is held against.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

/// The map of every drive: voltage and current in one frame.
pub const MAP: &str = r#"
[[message]]
name = "PACK"
id = 0x100
length = 4
[[message.signal]]
name = "Volts"
start = 0
length = 16
scale = 0.1
unit = "V"
[[message.signal]]
name = "Amps"
start = 16
length = 16
scale = 0.1
unit = "A"
[roles.pack_voltage]
signal = "PACK.Volts"
[roles.pack_current]
signal = "PACK.Amps"
positive = "discharge"
"#;

/// A drive: when it starts by the world's clock, how long it lasts, how many frames a second it has beside the pack's 100.
#[derive(Clone, Copy)]
pub struct Drive {
    pub start_s: i64,
    pub seconds: i64,
    pub others_per_s: i64,
}

/// The pack's frames a second.
const PACK_PER_S: i64 = 100;

/// The pack at a sample: tenths of a volt, tenths of an ampere out of it.
fn pack(sample: i64) -> (u16, u16) {
    let wave = (sample as f64 / 370.0).sin();
    (4_000 - (sample / 200) as u16, (600.0 + 450.0 * wave + (sample % 17) as f64) as u16)
}

impl Drive {
    /// Frames a second.
    fn rate(&self) -> i64 {
        PACK_PER_S + self.others_per_s
    }

    /// Every frame's moment in microseconds since the start, and the pack's sample where it is one.
    fn frames(&self) -> impl Iterator<Item = (i64, Option<i64>)> + use<> {
        let (rate, every) = (self.rate(), self.rate() / PACK_PER_S);
        (0..self.seconds * rate)
            .map(move |frame| (frame * 1_000_000 / rate, (frame % every == 0).then_some(frame / every)))
    }

    fn write(&self, out: &mut impl Write) -> std::io::Result<()> {
        for (number, (at, sample)) in self.frames().enumerate() {
            let (s, us) = (self.start_s + at / 1_000_000, at % 1_000_000);
            match sample {
                Some(sample) => {
                    let (volts, amps) = pack(sample);
                    writeln!(out, "({s}.{us:06}) can0 100#{:04X}{:04X}", volts.swap_bytes(), amps.swap_bytes())?;
                }
                None => {
                    let value = (number as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 40;
                    writeln!(
                        out,
                        "({s}.{us:06}) can0 {:03X}#{value:08X}00FF{:04X}",
                        0x200 + number % 24,
                        number as u16
                    )?;
                }
            }
        }
        Ok(())
    }

    /// The energy out of the pack, J, of the first frames: voltage and current linear between their samples.
    pub fn energy_j(&self, frames: u64) -> f64 {
        let (mut sum, mut lost) = (0.0f64, 0.0f64);
        let mut before: Option<(i64, f64, f64)> = None;
        for (at, sample) in self.frames().take(usize::try_from(frames).unwrap_or(usize::MAX)) {
            let Some(sample) = sample else { continue };
            let (volts, amps) = pack(sample);
            let (v1, i1) = (f64::from(volts) * 0.1, f64::from(amps) * 0.1);
            if let Some((then, v0, i0)) = before {
                let h = (at - then) as f64 / 1e6;
                // Kahan's sum: a drive has thousands of pieces.
                let piece = h / 6.0 * (2.0 * v0 * i0 + v0 * i1 + v1 * i0 + 2.0 * v1 * i1) - lost;
                let next = sum + piece;
                lost = (next - sum) - piece;
                sum = next;
            }
            before = Some((at, v1, i1));
        }
        sum
    }

    /// What a run of it is called.
    pub fn run_name(&self) -> String {
        drawdown::time::WallClock(self.start_s * 1_000_000).run_name()
    }

    /// How many frames it has.
    pub fn count(&self) -> u64 {
        (self.seconds * self.rate()) as u64
    }
}

/// Writes drives one after another.
pub fn write(path: &Path, drives: &[Drive]) -> std::io::Result<()> {
    let mut out = BufWriter::with_capacity(1 << 20, File::create(path)?);
    drives.iter().try_for_each(|drive| drive.write(&mut out))?;
    out.flush()
}
