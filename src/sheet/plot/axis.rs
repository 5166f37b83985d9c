//! Axes: from values to places, and the marks between.
//!
//! Marks are 1, 2 or 5 times a power of ten apart, times of day-long drives at the steps of a clock. Draws nothing.

use crate::format;

/// No axis has more marks than this, whatever it is given.
const MARKS_MAX: usize = 24;
/// Steps of an axis of time, s.
const CLOCK_S: [f64; 17] = [
    1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1_800.0, 3_600.0, 7_200.0, 10_800.0, 21_600.0,
    43_200.0,
];

/// How the marks of an axis are written.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Written {
    Number,
    Clock,
}

/// A range of values with its marks.
#[derive(Clone, PartialEq, Debug)]
pub struct Axis {
    /// What it shows, with its unit.
    pub title: String,
    /// Value at its begin; the greater one where the axis falls.
    pub from: f64,
    /// Value at its end.
    pub to: f64,
    step: f64,
    written: Written,
}

/// The smallest and largest finite value.
pub fn range(values: impl IntoIterator<Item = f64>) -> Option<(f64, f64)> {
    values.into_iter().filter(|value| value.is_finite()).fold(None, |range, value| {
        let (low, high) = range.unwrap_or((value, value));
        Some((low.min(value), high.max(value)))
    })
}

/// The least step of 1, 2 or 5 times a power of ten that leaves so many intervals or fewer.
pub fn step(span: f64, intervals: f64) -> f64 {
    let least = span / intervals;
    let power = 10f64.powf(least.log10().floor());
    let steps = [1.0, 2.0, 5.0, 10.0].map(|part| part * power);
    steps.into_iter().find(|step| *step >= least * (1.0 - 1e-9)).unwrap_or(10.0 * power)
}

/// A range that can be drawn: not empty, not beyond what numbers tell apart.
fn drawable((a, b): (f64, f64)) -> Option<(f64, f64)> {
    let (low, high) = (a.min(b), a.max(b));
    let size = low.abs().max(high.abs());
    let span = high - low;
    if !(a.is_finite() && b.is_finite()) || size > 1e12 {
        return None;
    }
    let least = (size * 1e-6).max(1e-9);
    if span < least {
        let half = if size > 0.0 { (size * 0.05).max(least) } else { 0.5 };
        return Some((low - half, high + half));
    }
    Some((low, high))
}

impl Axis {
    /// That ends at marks, with so many intervals at most.
    pub fn rounded(title: impl Into<String>, range: (f64, f64), intervals: u8) -> Option<Self> {
        let (low, high) = drawable(range)?;
        let step = step(high - low, f64::from(intervals.max(1)));
        let (from, to) = ((low / step + 1e-9).floor() * step, (high / step - 1e-9).ceil() * step);
        Some(Self { title: title.into(), from, to, step, written: Written::Number })
    }

    /// That ends where the values do.
    pub fn exact(title: impl Into<String>, range: (f64, f64), intervals: u8) -> Option<Self> {
        let (from, to) = drawable(range)?;
        let step = step(to - from, f64::from(intervals.max(1)));
        Some(Self { title: title.into(), from, to, step, written: Written::Number })
    }

    /// Of time, s, written as hours and minutes.
    pub fn of_time(title: impl Into<String>, range: (f64, f64), intervals: u8) -> Option<Self> {
        let (from, to) = drawable(range)?;
        let least = (to - from) / f64::from(intervals.max(1));
        let step = CLOCK_S.into_iter().find(|step| *step >= least).unwrap_or((least / 86_400.0).ceil() * 86_400.0);
        Some(Self { title: title.into(), from, to, step, written: Written::Clock })
    }

    /// The same, from its greater to its smaller end.
    pub fn falling(self) -> Self {
        Self { from: self.to, to: self.from, ..self }
    }

    /// Its marks: value and as written.
    pub fn marks(&self) -> Vec<(f64, String)> {
        let (low, high) = (self.from.min(self.to), self.from.max(self.to));
        let first = (low / self.step - 1e-6).ceil();
        let values = (0..MARKS_MAX).map(|at| (first + at as f64) * self.step);
        let values = values.take_while(|value| *value <= high + 1e-6 * self.step);
        values.map(|value| (value, self.text(value))).collect()
    }

    fn text(&self, value: f64) -> String {
        match self.written {
            Written::Number => format::to_step(value, self.step),
            Written::Clock if self.step < 60.0 => format::duration(value),
            Written::Clock => {
                let text = format::duration(value);
                text.strip_suffix(":00").map_or(text.clone(), str::to_owned)
            }
        }
    }

    /// Where a value lies, 0 at its begin and 1 at its end; NaN for what is not known.
    pub fn part(&self, value: f64) -> f64 {
        (value - self.from) / (self.to - self.from)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn texts(axis: &Axis) -> Vec<String> {
        axis.marks().into_iter().map(|(_, text)| text).collect()
    }

    #[test]
    fn marks_are_round_and_cover_the_values() {
        // By hand: 0 to 287 in at most 6 intervals is 50 each; -63 to 112 in at most 4 is 50.
        let axis = Axis::exact("", (0.0, 287.0), 6).unwrap();
        assert_eq!(texts(&axis), ["0", "50", "100", "150", "200", "250"]);
        assert!((axis.part(143.5) - 0.5).abs() < 1e-12);
        let axis = Axis::rounded("", (-63.0, 112.0), 4).unwrap();
        assert_eq!((axis.from, axis.to), (-100.0, 150.0));
        assert_eq!(texts(&axis), ["-100", "-50", "0", "50", "100", "150"]);
        let axis = Axis::rounded("", (0.11, 0.29), 4).unwrap();
        assert_eq!(texts(&axis), ["0.10", "0.15", "0.20", "0.25", "0.30"]);
        let falling = axis.clone().falling();
        assert_eq!((falling.marks().len(), falling.part(0.30).round()), (5, 0.0));
    }

    #[test]
    fn times_are_those_of_a_clock() {
        let axis = Axis::of_time("", (0.0, 8.2 * 3_600.0), 6).unwrap();
        assert_eq!(texts(&axis), ["0:00", "2:00", "4:00", "6:00", "8:00"]);
        assert_eq!(texts(&Axis::of_time("", (0.0, 31.0), 4).unwrap()), ["0:00:00", "0:00:10", "0:00:20", "0:00:30"]);
    }

    #[test]
    fn one_value_is_a_range_too_and_nothing_is_none() {
        let one = Axis::rounded("", (20.0, 20.0), 4).unwrap();
        assert!(one.from < 20.0 && 20.0 < one.to, "{one:?}");
        assert!(Axis::rounded("", (0.0, 0.0), 4).is_some());
        assert_eq!(range([f64::NAN, f64::INFINITY]), None);
        assert!(Axis::exact("", (f64::NAN, 1.0), 4).is_none() && Axis::exact("", (0.0, 1e300), 4).is_none());
    }

    proptest::proptest! {
        #[test]
        fn no_range_breaks_an_axis(low in proptest::num::f64::ANY, high in proptest::num::f64::ANY, n in 0u8..12) {
            let range = (low, high);
            let axes = [Axis::rounded("", range, n), Axis::exact("", range, n), Axis::of_time("", range, n)];
            for axis in axes.into_iter().flatten() {
                proptest::prop_assert!(axis.marks().len() <= MARKS_MAX);
                proptest::prop_assert!(axis.part((axis.from + axis.to) / 2.0).is_finite());
            }
        }
    }
}
