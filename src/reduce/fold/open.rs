//! What the current read while the contactors stood open, stretch by stretch: nothing flows then, so it read its zero.
//!
//! Corrects nothing.

use super::row::Rows;
use crate::schema::Role;

/// Shorter stretches say nothing, s.
pub const OPEN_MIN_S: f64 = 10.0;
/// The relays' own time and the last charge of the inverter's capacitors, left out at the beginning, s: common practice, no source.
const SETTLING_S: f64 = 2.0;
/// Means over so long are taken as independent of each other, s.
const BLOCK_S: f64 = 2.0;

/// A stretch with the contactors open.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct OpenStretch {
    /// From and to, s of run time.
    pub from_s: f64,
    /// See `from_s`.
    pub to_s: f64,
    /// Mean current, A.
    pub mean: f64,
    /// Standard deviation of that mean, A, from the means of blocks of 2 s (GUM 4.2.3).
    pub u: f64,
    /// Blocks.
    pub blocks: u32,
}

/// Watches for open contactors.
#[derive(Default)]
pub(super) struct Open {
    now: Option<Watch>,
    pub stretches: Vec<OpenStretch>,
}

#[derive(Clone, Copy, Default)]
struct Watch {
    from: f64,
    to: f64,
    block: (f64, f64, u32),
    /// Count, sum and sum of squares of the blocks' means, less the first of them.
    means: (u32, f64, f64),
    first: f64,
}

impl Open {
    pub fn see(&mut self, rows: &Rows<'_>) {
        if rows.is_blank(Role::Contactor) {
            return self.close();
        }
        let (contactor, current) = (rows.role(Role::Contactor), rows.role(Role::PackCurrent));
        for at in 0..rows.len() {
            if contactor[at] == 0.0 && current[at].is_finite() {
                self.see_open(rows.t[at], current[at]);
            } else {
                self.close();
            }
        }
    }

    fn see_open(&mut self, t: f64, current: f64) {
        let watch = self.now.get_or_insert(Watch { from: t, to: t, ..Watch::default() });
        watch.to = t;
        if t - watch.from < SETTLING_S {
            return;
        }
        let (begun, sum, count) = watch.block;
        watch.block = if count == 0 { (t, current, 1) } else { (begun, sum + current, count + 1) };
        if t - watch.block.0 >= BLOCK_S {
            watch.end_block();
        }
    }

    pub fn close(&mut self) {
        let Some(watch) = self.now.take().filter(|watch| watch.to - watch.from >= OPEN_MIN_S) else { return };
        let (blocks, sum, squares) = watch.means;
        if blocks < 3 {
            return;
        }
        let n = f64::from(blocks);
        let variance = ((squares - sum * sum / n) / (n - 1.0)).max(0.0);
        let (mean, u) = (watch.first + sum / n, (variance / n).sqrt());
        self.stretches.push(OpenStretch { from_s: watch.from, to_s: watch.to, mean, u, blocks });
    }
}

impl Watch {
    fn end_block(&mut self) {
        let (_, sum, count) = std::mem::take(&mut self.block);
        let mean = sum / f64::from(count.max(1));
        if self.means.0 == 0 {
            self.first = mean;
        }
        let off = mean - self.first;
        self.means = (self.means.0 + 1, self.means.1 + off, self.means.2 + off * off);
    }
}
