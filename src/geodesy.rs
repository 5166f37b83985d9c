//! Distances on the WGS84 ellipsoid: the geodesic between two positions, and places near a line of them.
//!
//! The geodesic is Karney's (Algorithms for geodesics, J. Geodesy 87, 2013), by the port of GeographicLib. A position is
//! degrees north and east. Knows no road and no height: a steep road is longer than its line on the ellipsoid.

use std::sync::LazyLock;

use geographiclib_rs::{Geodesic, InverseGeodesic};

/// Degrees north and east.
pub type Position = (f64, f64);

static WGS84: LazyLock<Geodesic> = LazyLock::new(Geodesic::wgs84);

/// Length of the shortest line between two positions on the ellipsoid, m.
pub fn geodesic(a: Position, b: Position) -> f64 {
    WGS84.inverse(a.0, a.1, b.0, b.1)
}

/// The plane that touches the ellipsoid at a position: metres north and east, good to some 0.1 % over 10 km.
#[derive(Clone, Copy, Debug)]
pub struct Plane {
    origin: Position,
    north: f64,
    east: f64,
}

impl Plane {
    /// At a position; scales by the radii of curvature in meridian and prime vertical there (Torge, Geodesy, 4.1.3).
    pub fn at(origin: Position) -> Self {
        /// Semi-major axis, m, and first eccentricity squared of WGS84 (NGA.STND.0036).
        const AXIS_M: f64 = 6_378_137.0;
        const ECCENTRICITY_2: f64 = 6.694_379_990_141e-3;
        let latitude = origin.0.to_radians();
        let sine = libm::sin(latitude);
        let w2 = 1.0 - ECCENTRICITY_2 * sine * sine;
        let prime_vertical = AXIS_M / w2.sqrt();
        Self {
            origin,
            north: (prime_vertical * (1.0 - ECCENTRICITY_2) / w2).to_radians(),
            east: (prime_vertical * libm::cos(latitude)).to_radians(),
        }
    }

    /// Metres north and east of its origin.
    pub fn place(&self, of: Position) -> (f64, f64) {
        // Across the date line the short way.
        let east = (of.1 - self.origin.1 + 540.0).rem_euclid(360.0) - 180.0;
        (self.north * (of.0 - self.origin.0), self.east * east)
    }

    /// Distance of a position from the straight line between two others, m, and the share of that line at which it is nearest.
    pub fn nearest(&self, of: Position, from: Position, to: Position) -> (f64, f64) {
        let [p, a, b] = [of, from, to].map(|position| self.place(position));
        let (along, offset) = ((b.0 - a.0, b.1 - a.1), (p.0 - a.0, p.1 - a.1));
        let length_2 = along.0 * along.0 + along.1 * along.1;
        let dot = offset.0 * along.0 + offset.1 * along.1;
        let share = if length_2 > 0.0 { (dot / length_2).clamp(0.0, 1.0) } else { 0.0 };
        ((offset.0 - share * along.0).hypot(offset.1 - share * along.1), share)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published and documented values of GeographicLib (Karney 2013; the first two are rows of its own test file), and
    /// its Python package 2.1 for the round ones.
    #[test]
    fn geodesics_of_the_reference_library() {
        for (a, b, length) in [
            ((35.60777, -139.44815), (-11.17491, -69.95921), 8_935_244.560_481_83),
            ((-29.47124, 95.14681), (-27.46601, -69.15955), 13_487_015.838_114_55),
            ((-41.32, 174.81), (40.96, -5.50), 19_959_679.267_353_82),
            ((40.6, -73.8), (51.6, -0.5), 5_551_759.400_318_68),
            ((0.0, 0.0), (0.0, 1.0), 111_319.490_793_273_57),
            ((0.0, 0.0), (1.0, 0.0), 110_574.388_557_799_6),
            ((45.0, 0.0), (46.0, 0.0), 111_141.548_474_205_85),
            ((0.0, 0.0), (90.0, 0.0), 10_001_965.729_312_724),
        ] {
            let ours = geodesic(a, b);
            assert!((ours - length).abs() < 1e-7, "{a:?} to {b:?}: {ours}, not {length}");
            assert!((geodesic(b, a) - ours).abs() < 1e-6);
        }
    }

    #[test]
    fn the_plane_is_the_ellipsoid_nearby() {
        for origin in [(0.0, 179.999), (52.0, 10.0), (-70.0, -20.0)] {
            let plane = Plane::at(origin);
            for (north, east) in [(0.01, 0.0), (0.0, 0.01), (-0.005, 0.004)] {
                let there = (origin.0 + north, (origin.1 + east + 180.0).rem_euclid(360.0) - 180.0);
                let (y, x) = plane.place(there);
                let (ours, geodesic) = (y.hypot(x), geodesic(origin, there));
                assert!((ours / geodesic - 1.0).abs() < 5e-4, "{origin:?}: {ours}, not {geodesic}");
            }
            let (offset, share) = plane.nearest((origin.0 + 0.001, origin.1), origin, (origin.0, origin.1 + 0.02));
            assert!((offset / geodesic(origin, (origin.0 + 0.001, origin.1)) - 1.0).abs() < 1e-3 && share == 0.0);
        }
    }
}
