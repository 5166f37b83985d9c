//! What is known of the energy left and of the energy that the road ahead takes, and the chance that the one falls short of the
//! other.
//!
//! Everything is a normal variable with a standard uncertainty; sums are formed to first order (JCGM 100:2008, 5.1), and the
//! chance is Student's t at few degrees of freedom, since the widths themselves are guesses. Does not know the road.

use statrs::distribution::{ContinuousCDF, StudentsT};

/// A value that is not known exactly.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Guess {
    /// The value.
    pub mean: f64,
    /// Its standard uncertainty.
    pub u: f64,
}

/// Standard uncertainties beyond which a value is surely above or below zero.
const FAR_AWAY: f64 = 1e6;

impl Guess {
    /// A value with its standard uncertainty.
    pub const fn new(mean: f64, u: f64) -> Self {
        Self { mean, u }
    }

    /// The sum of two that have nothing in common.
    pub fn plus(self, other: Self) -> Self {
        Self { mean: self.mean + other.mean, u: self.u.hypot(other.u) }
    }

    /// The difference of two that have nothing in common.
    pub fn less(self, other: Self) -> Self {
        Self { mean: self.mean - other.mean, u: self.u.hypot(other.u) }
    }

    /// The chance that it is below zero, at so many degrees of freedom; 1 where it is no number.
    pub fn chance_below_zero(self, dof: f64) -> f64 {
        let away = self.mean / self.u;
        if self.mean.is_nan() || self.u.is_nan() {
            return 1.0;
        }
        // So far away no tail of the distribution is left that a double could tell; its function takes no more.
        if self.u <= 0.0 || !(-FAR_AWAY..FAR_AWAY).contains(&away) {
            return if self.mean < 0.0 { 1.0 } else { 0.0 };
        }
        StudentsT::new(0.0, 1.0, dof.max(1.0)).map_or(1.0, |t| t.cdf(-away))
    }
}

/// A way still to be driven, m.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Trip {
    /// Along the road, in the direction out.
    pub out: f64,
    /// Along the road, in the direction back.
    pub back: f64,
    /// Turning, and short ways round.
    pub extra: f64,
}

impl Trip {
    /// All of it.
    pub fn length(&self) -> f64 {
        self.out + self.back + self.extra
    }
}

/// Energy left, and energy per distance ahead.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Outlook {
    /// Energy until the display reads 0, J.
    pub to_zero: Guess,
    /// Energy from there until the car stops, J.
    pub below_zero: Guess,
    /// Energy per distance out and back, J/m.
    pub per_metre: [Guess; 2],
    /// How far the two directions err together, 0 to 1 (one car, one weather).
    pub together: f64,
    /// Variance per metre of what differs from one kilometre to the next (traffic, gusts), J²/m.
    pub wander: f64,
    /// Degrees of freedom of the widths.
    pub dof: f64,
    /// Energy of a metre that the way rises in all, J/m; nothing where no heights are given, or they are in the directions' own
    /// energy per distance.
    pub per_rise: Guess,
}

/// What a passenger can read off the car, or knows.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Read {
    /// Displayed state of charge, as a share.
    pub soc: f64,
    /// Usable energy from full to displayed 0, J.
    pub usable: f64,
    /// Its standard uncertainty, in parts.
    pub usable_u: f64,
    /// Energy per distance driving out, J/m.
    pub out: f64,
    /// Energy per distance driving back, J/m; `None` before it was driven.
    pub back: Option<f64>,
    /// Energy below displayed 0 that this car is known to have, J.
    pub reserve: Option<f64>,
}

/// Standard uncertainty of the energy per distance ahead, in parts, in a direction that was driven and in one that was not:
/// common practice, no source.
const PER_METRE_U: [f64; 2] = [0.03, 0.05];
/// How far the directions err together: common practice, no source.
const TOGETHER: f64 = 0.5;
/// Energy per distance differs by so much from one kilometre to the next, in parts: common practice, no source.
const PER_KM: f64 = 0.1;
/// Half a step of the display, as a share.
const HALF_STEP: f64 = 0.005;
/// How far a display may be bent in the middle, as a share of the whole, one standard deviation: common practice, no source.
const BEND: f64 = 0.02;
/// Standard uncertainty of what lies below displayed 0, as a share of the usable energy, of a car that is not known, and in parts
/// of what is known: common practice, no source.
const BELOW_U: [f64; 2] = [0.01, 0.2];
/// Degrees of freedom of widths that are themselves guesses: common practice, no source.
pub const DOF: f64 = 12.0;

impl Outlook {
    /// From readings alone, with the widths of common practice.
    pub fn from_readings(read: &Read) -> Self {
        let soc = read.soc;
        let bent = BEND * 4.0 * soc * (1.0 - soc);
        let u = (read.usable_u * soc).hypot(bent).hypot(HALF_STEP / 3f64.sqrt());
        let back = read
            .back
            .map_or(Guess::new(read.out, PER_METRE_U[1] * read.out), |back| Guess::new(back, PER_METRE_U[0] * back));
        Self {
            to_zero: Guess::new(read.usable * soc, read.usable * u),
            below_zero: match read.reserve {
                Some(known) => Guess::new(known, BELOW_U[1] * known),
                None => Guess::new(0.0, BELOW_U[0] * read.usable),
            },
            per_metre: [Guess::new(read.out, PER_METRE_U[0] * read.out), back],
            together: TOGETHER,
            wander: (PER_KM * read.out).powi(2) * 1e3,
            dof: DOF,
            per_rise: Guess::default(),
        }
    }

    /// The same after a way that rises by so many metres: what that takes is taken from the energy left.
    pub fn risen(&self, rise: f64) -> Self {
        let lift = Guess::new(self.per_rise.mean * rise, self.per_rise.u * rise.abs());
        Self { to_zero: self.to_zero.less(lift), ..*self }
    }

    /// Energy that a way takes, J. A way off the road counts as half out, half back.
    pub fn need(&self, trip: &Trip) -> Guess {
        let [out, back] = [trip.out + trip.extra / 2.0, trip.back + trip.extra / 2.0];
        let [there, home] = self.per_metre;
        let (a, b) = (out * there.u, back * home.u);
        let variance = a * a + b * b + 2.0 * self.together * a * b + self.wander * trip.length();
        Guess { mean: out * there.mean + back * home.mean, u: variance.sqrt() }
    }

    /// Energy left above displayed 0 after a way, J.
    pub fn left(&self, trip: &Trip) -> Guess {
        self.to_zero.less(self.need(trip))
    }

    /// The chance that the display reads 0 before the end of a way.
    pub fn chance_of_zero(&self, trip: &Trip) -> f64 {
        self.left(trip).chance_below_zero(self.dof)
    }

    /// The chance that the car stops before the end of a way.
    pub fn chance_of_stopping(&self, trip: &Trip) -> f64 {
        self.left(trip).plus(self.below_zero).chance_below_zero(self.dof)
    }

    /// Mean energy per distance of both directions, J/m.
    pub fn mean_per_metre(&self) -> f64 {
        (self.per_metre[0].mean + self.per_metre[1].mean) / 2.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn outlook() -> Outlook {
        Outlook {
            to_zero: Guess::new(10_000.0, 300.0),
            below_zero: Guess::new(0.0, 0.0),
            per_metre: [Guess::new(2.0, 0.0), Guess::new(1.0, 0.0)],
            together: 0.0,
            wander: 0.0,
            dof: f64::INFINITY,
            per_rise: Guess::default(),
        }
    }

    #[test]
    fn chances_are_those_of_the_tables() {
        // Normal distribution: 1.6449 standard deviations leave 5 % on one side; t at 8 degrees of freedom: 1.860 does
        // (GUM table G.2 gives 1.86 for 90 % of both sides).
        let at = |mean: f64, dof: f64| Guess::new(mean, 1.0).chance_below_zero(dof);
        assert!((at(1.644_854, 1e9) - 0.05).abs() < 1e-5, "{}", at(1.644_854, 1e9));
        assert!((at(1.859_548, 8.0) - 0.05).abs() < 1e-5);
        assert_eq!(Guess::new(-1.0, 0.0).chance_below_zero(8.0), 1.0);
        assert_eq!(Guess::new(1.0, 0.0).chance_below_zero(8.0), 0.0);
        assert_eq!(at(f64::NAN, 8.0), 1.0);
        assert_eq!([at(1e200, 8.0), at(-1e200, 8.0), at(f64::INFINITY, 8.0)], [0.0, 1.0, 0.0]);
    }

    #[test]
    fn a_way_takes_what_its_directions_take() {
        // 1000 m out at 2 J/m, 3000 m back at 1 J/m, 200 m besides at the mean: 5300 J by hand.
        let trip = Trip { out: 1_000.0, back: 3_000.0, extra: 200.0 };
        assert_eq!(outlook().need(&trip), Guess::new(5_300.0, 0.0));
        assert_eq!(outlook().left(&trip), Guess::new(4_700.0, 300.0));
        // Errors that both directions share add up straight, others in squares.
        let errs = |together: f64| {
            let per_metre = [Guess::new(2.0, 0.3), Guess::new(1.0, 0.1)];
            Outlook { per_metre, together, ..outlook() }.need(&Trip { out: 1_000.0, back: 4_000.0, extra: 0.0 }).u
        };
        assert_eq!((errs(0.0), errs(1.0)), (500.0, 700.0));
    }
}
