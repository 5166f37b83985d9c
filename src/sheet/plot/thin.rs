//! From seconds to what a plot can show of them: columns that keep their smallest and largest value, and means.
//!
//! Draws nothing over time that was not observed, unless it is shorter than a pixel.

/// Width of a column, in the plot's units: finer than a pixel of any size that plots are looked at.
pub const COLUMN: f64 = 0.5;
/// What was not observed is left blank where it is wider than this.
pub const PIXEL: f64 = 1.0;

/// A value that held from one place across to another; NaN where it is not known.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Piece {
    /// From here, in the plot's units.
    pub from: f64,
    /// To here.
    pub to: f64,
    /// Smallest value in it.
    pub low: f64,
    /// Largest value in it.
    pub high: f64,
}

impl Piece {
    /// One that parts what is before it from what follows.
    pub fn parting() -> Self {
        Self { from: 0.0, to: 2.0 * PIXEL, low: f64::NAN, high: f64::NAN }
    }
}

/// What a column holds.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Column {
    /// Its middle across.
    pub x: f64,
    /// First value.
    pub first: f64,
    /// Smallest.
    pub low: f64,
    /// Largest.
    pub high: f64,
    /// Last.
    pub last: f64,
    /// The smallest came before the largest.
    pub rising: bool,
}

impl Column {
    /// Its values in the order in which they came.
    pub fn in_order(&self) -> [f64; 4] {
        let [a, b] = if self.rising { [self.low, self.high] } else { [self.high, self.low] };
        [self.first, a, b, self.last]
    }

    fn see(&mut self, piece: &Piece) {
        if piece.high > self.high {
            (self.high, self.rising) = (piece.high, true);
        }
        if piece.low < self.low {
            (self.low, self.rising) = (piece.low, false);
        }
        self.last = piece.high;
    }
}

/// The columns of pieces that follow each other between two places across, in stretches that nothing unobserved parts.
pub fn columns(pieces: impl IntoIterator<Item = Piece>, (left, right): (f64, f64)) -> Vec<Vec<Column>> {
    let mut runs: Vec<Vec<Column>> = Vec::new();
    let (mut silent, mut parted) = (0.0, true);
    let last = ((right - left) / COLUMN).floor().max(0.0);
    let number = |x: f64| ((x - left) / COLUMN).floor().clamp(0.0, last);
    for piece in pieces {
        if !(piece.low.is_finite() && piece.high.is_finite() && piece.from.is_finite() && piece.to.is_finite()) {
            silent += if (piece.to - piece.from).is_finite() { (piece.to - piece.from).max(0.0) } else { 0.0 };
            parted |= silent > PIXEL;
            continue;
        }
        if parted {
            runs.push(Vec::new());
        }
        (silent, parted) = (0.0, false);
        let Some(run) = runs.last_mut() else { continue };
        // A piece that ends where a column begins is not in it.
        let (from, to) = (number(piece.from), number(piece.to - 1e-9).max(number(piece.from)));
        for column in from as usize..=to as usize {
            let x = left + (column as f64 + 0.5) * COLUMN;
            match run.last_mut() {
                Some(known) if known.x >= x - COLUMN / 2.0 => known.see(&piece),
                _ => run.push(Column {
                    x,
                    first: piece.low,
                    low: piece.low,
                    high: piece.high,
                    last: piece.high,
                    rising: true,
                }),
            }
        }
    }
    runs
}

/// A value over a while, and where that was.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Weighed {
    /// Where, as the axis across counts.
    pub at: f64,
    /// For how long, s.
    pub seconds: f64,
    /// The value; NaN where it is not known.
    pub value: f64,
}

/// Means by time over bins of one width, in lines that a bin with less than half of its time known parts.
pub fn means(values: impl IntoIterator<Item = Weighed>, width: f64) -> Vec<Vec<(f64, f64)>> {
    let mut lines: Vec<Vec<(f64, f64)>> = vec![Vec::new()];
    let mut open = Bin::default();
    for value in values.into_iter().filter(|value| value.at.is_finite() && value.seconds > 0.0) {
        let number = (value.at / width).floor();
        if number > open.number {
            open.close(&mut lines);
            if number > open.number + 1.0 && open.all > 0.0 {
                lines.push(Vec::new());
            }
            open = Bin { number, ..Bin::default() };
        }
        open.see(&value);
    }
    open.close(&mut lines);
    lines.retain(|line| !line.is_empty());
    lines
}

#[derive(Default)]
struct Bin {
    number: f64,
    all: f64,
    known: f64,
    sum: f64,
    place: f64,
}

impl Bin {
    fn see(&mut self, value: &Weighed) {
        self.all += value.seconds;
        if value.value.is_finite() {
            self.known += value.seconds;
            self.sum += value.value * value.seconds;
            self.place += value.at * value.seconds;
        }
    }

    fn close(&self, lines: &mut Vec<Vec<(f64, f64)>>) {
        if self.known > self.all / 2.0 {
            let mean = (self.place / self.known, self.sum / self.known);
            lines.last_mut().into_iter().for_each(|line| line.push(mean));
        } else if self.all > 0.0 {
            lines.push(Vec::new());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn piece(from: f64, to: f64, value: f64) -> Piece {
        Piece { from, to, low: value, high: value }
    }

    #[test]
    fn a_spike_of_one_second_is_kept_among_eight_hours() {
        // 28 800 seconds over 450 units: 64 in each unit, 32 in each column.
        let at = |second: usize| second as f64 * 450.0 / 28_800.0;
        let value = |second: usize| if second == 12_345 { 250.0 } else { 20.0 + (second % 7) as f64 };
        let pieces = (0..28_800).map(|second| piece(at(second), at(second + 1), value(second)));
        let runs = columns(pieces, (0.0, 450.0));
        assert_eq!((runs.len(), runs[0].len()), (1, 900));
        for (number, column) in runs[0].iter().enumerate() {
            // Told again from the seconds that begin in the column.
            let inside =
                (0..28_800).filter(|second| (at(*second) / COLUMN + 1e-9).floor() as usize == number).map(value);
            let (low, high) = inside.fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(v), high.max(v)));
            assert_eq!((column.low, column.high), (low, high), "column {number}");
        }
        assert_eq!(runs[0].iter().filter(|column| column.high == 250.0).count(), 1);
    }

    #[test]
    fn what_was_not_observed_parts_the_columns_where_it_can_be_seen() {
        let with_gap = |width: f64| {
            let gap = Piece { low: f64::NAN, ..piece(10.0, 10.0 + width, 0.0) };
            columns([piece(0.0, 10.0, 1.0), gap, piece(10.0 + width, 30.0, 2.0)], (0.0, 100.0))
        };
        assert_eq!(with_gap(PIXEL + 0.1).len(), 2);
        assert_eq!(with_gap(PIXEL - 0.1).len(), 1);
        let parted = with_gap(5.0);
        assert!(parted[0].iter().all(|column| column.x < 10.0) && parted[1].iter().all(|column| column.x > 15.0));
        assert!(columns([piece(0.0, 1.0, f64::NAN)], (0.0, 10.0)).is_empty());
    }

    #[test]
    fn means_are_by_time_and_part_where_little_is_known() {
        let of = |at: f64, seconds: f64, value: f64| Weighed { at, seconds, value };
        let values = [of(0.25, 1.0, 10.0), of(0.75, 3.0, 20.0), of(1.5, 1.0, f64::NAN), of(2.5, 2.0, 5.0)];
        // By hand: (10 + 3 * 20) / 4 = 17.5 at (0.25 + 3 * 0.75) / 4 = 0.625.
        assert_eq!(means(values, 1.0), [vec![(0.625, 17.5)], vec![(2.5, 5.0)]]);
    }

    proptest::proptest! {
        #[test]
        fn no_value_breaks_the_columns(values in proptest::collection::vec(proptest::num::f64::ANY, 0..40)) {
            let pieces = values.windows(4).map(|v| Piece { from: v[0], to: v[1], low: v[2], high: v[3] });
            for run in columns(pieces, (0.0, 50.0)) {
                proptest::prop_assert!(run.len() <= 101 && run.windows(2).all(|pair| pair[0].x < pair[1].x));
            }
            let _ = means(values.windows(3).map(|v| Weighed { at: v[0], seconds: v[1], value: v[2] }), 1.0);
        }
    }
}
