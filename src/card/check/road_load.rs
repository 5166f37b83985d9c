//! The road load of a card, checked: one of its two forms, whole, and the conditions that it holds at.
//!
//! The ranges are those beyond which a number is a slip of the hand or of the unit (common practice, no source). Judges no
//! car.

use super::super::numbers::{AIR_PRESSURE, FORCE, FORCE_PER_SPEED, FORCE_PER_SPEED_2, TEMPERATURE};
use super::super::written::WrittenRoadLoad;
use super::super::{Celsius, Pascal, RoadLoad};
use super::Check;

impl Check<'_> {
    pub(super) fn road_load(&mut self, written: &WrittenRoadLoad) -> RoadLoad {
        let a = [written.a_n, written.a_lbf];
        let b = [written.b_n_per_kmh, written.b_lbf_per_mph];
        let c = [written.c_n_per_kmh2, written.c_lbf_per_mph2];
        let given = [&a, &b, &c].map(|two| two.iter().any(Option::is_some));
        let a = self.in_units("road_load.a", "a coefficient A", &a, FORCE, -500.0..=5_000.0);
        let b = self.in_units("road_load.b", "a coefficient B", &b, FORCE_PER_SPEED, -50.0..=100.0);
        let c = self.in_units("road_load.c", "a coefficient C", &c, FORCE_PER_SPEED_2, 0.05..=5.0);
        let coefficients = a.zip(b).zip(c).map(|((a, b), c)| [a, b, c]);
        if given.contains(&true) && given.contains(&false) {
            let missing: Vec<&str> =
                ["a", "b", "c"].into_iter().zip(given).filter(|(_, given)| !given).map(|(name, _)| name).collect();
            let what = format!("a road load without its coefficient {}", missing.join(" and "));
            self.say("road_load", what, "give all three: 0 is a value too");
        }
        let rolling = written.rolling_resistance;
        let rolling =
            self.number("road_load.rolling_resistance", "a rolling resistance", rolling, "of the weight", 0.003..=0.04);
        let area = self.number("road_load.drag_area_m2", "a drag area", written.drag_area_m2, "m2", 0.2..=15.0);
        let twice = given.contains(&true) && (written.rolling_resistance.is_some() || written.drag_area_m2.is_some());
        if twice {
            let remedy = "keep the coefficients, or rolling_resistance and drag_area_m2";
            self.say("road_load", "the road load is given in two forms", remedy);
        }
        let temperature = [written.reference_degc, written.reference_degf];
        let pressure = [written.reference_hpa, written.reference_inhg];
        let what = "a reference temperature";
        let temperature = self.in_units("road_load.reference", what, &temperature, TEMPERATURE, -30.0..=50.0);
        let what = "a reference pressure";
        let pressure = self.in_units("road_load.reference", what, &pressure, AIR_PRESSURE, 50_000.0..=110_000.0);
        RoadLoad {
            coefficients,
            rolling_resistance: rolling.filter(|_| !twice),
            drag_area_m2: area.filter(|_| !twice),
            reference: written.reference,
            temperature: temperature.map(Celsius),
            pressure: pressure.map(Pascal),
        }
    }
}
