//! The road load of a card: its forms, its units, what is refused.
//!
//! Conversions are arithmetic from the exact pound-force and mile; the coefficients are those of the form of the public
//! coast-down lists.

use super::*;

#[test]
fn coast_down_coefficients_in_their_public_units() {
    // A lbf = 4.4482216 N; B lbf/mph = 9.950388 N s/m; C lbf/mph2 = 22.258386 N s2/m2.
    let card = sound("[road_load]\na_lbf = 30\nb_lbf_per_mph = 0.2\nc_lbf_per_mph2 = 0.018\n");
    let [a, b, c] = card.road_load.coefficients.unwrap();
    assert!((a - 30.0 * 4.448_221_6).abs() < 1e-5 && (b - 0.2 * 9.950_388).abs() < 1e-6, "{a} {b}");
    assert!((c - 0.018 * 22.258_386).abs() < 1e-7, "{c}");
    // At 70 mph: 588.0549 N.
    let v = 70.0 * 0.447_04;
    assert!((a + b * v + c * v * v - 588.0549).abs() < 1e-4);
    let metric = sound("[road_load]\na_n = 120\nb_n_per_kmh = 0.5\nc_n_per_kmh2 = 0.035\nreference = 'WLTP'\n");
    assert_eq!(metric.road_load.coefficients.unwrap().map(|x| (x * 1e6).round() / 1e6), [120.0, 1.8, 0.4536]);
    assert_eq!(metric.road_load.reference.unwrap().air(), (20.0, 100_000.0));
    let parts = sound("[road_load]\nrolling_resistance = 0.009\ndrag_area_m2 = 0.6\nreference_degf = 59\n");
    assert_eq!(parts.road_load.temperature.map(|t| t.0.round()), Some(15.0));
}

#[test]
fn a_road_load_that_cannot_be_is_refused() {
    let said = |text: &str| faults(&format!("[road_load]\n{text}"));
    assert_eq!(
        said("a_n = 120\nc_n_per_kmh2 = 0.03\n"),
        ["card.toml:1: a road load without its coefficient b; give all three: 0 is a value too"]
    );
    assert_eq!(
        said("rolling_resistance = 0.9\ndrag_area_m2 = 0.6\n"),
        ["card.toml:2: a rolling resistance of 0.9 of the weight is impossible; give 0.003 to 0.04 of the weight"]
    );
    assert_eq!(
        said("a_n = 120\nb_n_per_kmh = 0\nc_n_per_kmh2 = 0.018\ndrag_area_m2 = 0.6\n"),
        [
            "card.toml:1: the road load is given in two forms; keep the coefficients, or rolling_resistance and drag_area_m2"
        ]
    );
    assert_eq!(
        said("c_n_per_kmh2 = 0.0001\n").first().map(String::as_str),
        Some("card.toml:1: a road load without its coefficient a and b; give all three: 0 is a value too")
    );
    let lost = faults("[charge]\nenergy_kwh = 40\nlost_kwh = 41\n");
    assert_eq!(lost, ["card.toml:3: 41 kWh lost of 40 kWh metered leave nothing for the pack; correct one of them"]);
}
