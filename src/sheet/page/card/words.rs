//! What the card's keys are called on a sheet, in the order of a reader's interest, and the units that they end in.
//!
//! Knows no value. A key that it does not know is called by its own name: none is lost.

/// The card's tables, with what each is about; the empty name is the card's own keys.
pub(super) const TABLES: [(&str, &str); 14] = [
    ("", "The test"),
    ("driving", "Driving"),
    ("tyres", "Tyres"),
    ("load", "Load"),
    ("trailer", "Trailer"),
    ("climate", "Climate control"),
    ("weather", "Weather"),
    ("road", "Road"),
    ("charge", "Charge before the test"),
    ("recharge", "Charge after the test"),
    ("battery", "Pack"),
    ("road_load", "Road load"),
    ("counting", "What counts"),
    ("leave_out", "Left out of what was held"),
];

/// Units in which a key may end, and how they are written; the longer before the shorter.
const UNITS: [(&str, &str); 28] = [
    ("_lbf_per_mph2", "lbf/mph²"),
    ("_lbf_per_mph", "lbf/mph"),
    ("_n_per_kmh2", "N/(km/h)²"),
    ("_n_per_kmh", "N/(km/h)"),
    ("_wh_per_km", "Wh/km"),
    ("_wh_per_mi", "Wh/mi"),
    ("_percent", "%"),
    ("_degc", "°C"),
    ("_degf", "°F"),
    ("_inhg", "inHg"),
    ("_deg", "°"),
    ("_kwh", "kWh"),
    ("_kmh", "km/h"),
    ("_mph", "mph"),
    ("_mps", "m/s"),
    ("_hpa", "hPa"),
    ("_bar", "bar"),
    ("_kpa", "kPa"),
    ("_psi", "psi"),
    ("_lbf", "lbf"),
    ("_min", "min"),
    ("_kg", "kg"),
    ("_lb", "lb"),
    ("_mm", "mm"),
    ("_m2", "m²"),
    ("_km", "km"),
    ("_mi", "mi"),
    ("_n", "N"),
];

/// What keys are called, without their unit, in the order in which they stand.
const LABELS: [(&str, &str); 74] = [
    ("label", "Car"),
    ("note", "Note"),
    ("full_charge", "Full charge"),
    ("claimed_usable", "Claimed usable energy"),
    ("state_of_charge", "State of charge that counts"),
    ("distance", "Distance that counts"),
    ("driving.target", "True target speed"),
    ("driving.tolerance", "Held within"),
    ("driving.assist", "Held with"),
    ("driving.mode", "Driving mode"),
    ("driving.leave_out", "Left out of the hold"),
    ("tyres.label", "Size and make"),
    ("tyres.placard", "By the placard, cold"),
    ("tyres.set", "As set, cold"),
    ("tyres.set_at", "Set at"),
    ("tyres.tread", "Tread"),
    ("load.car", "Empty car"),
    ("load.load", "People and load"),
    ("load.persons", "People"),
    ("load.by", "Masses are"),
    ("trailer.mass", "Mass with its load"),
    ("trailer.frontal_area", "Frontal area"),
    ("climate.setting", "Setting"),
    ("climate.cabin", "Cabin set to"),
    ("climate.note", "Note"),
    ("weather.temperature", "Air"),
    ("weather.pressure", "Air pressure"),
    ("weather.pressure_of", "Pressure of"),
    ("weather.humidity", "Humidity"),
    ("weather.wind", "Wind"),
    ("weather.wind_from", "Wind from"),
    ("weather.note", "Note"),
    ("road.wet", "Wet share"),
    ("road.traffic", "Traffic"),
    ("road.note", "Note"),
    ("charge.start", "Began"),
    ("charge.end", "Ended"),
    ("charge.from", "From displayed"),
    ("charge.to", "To displayed"),
    ("charge.current", "Current"),
    ("charge.supply", "Taken from"),
    ("charge.rest", "Rest before the start"),
    ("recharge.pack", "Pack at its begin"),
    ("charge.pack", "Pack at the start"),
    ("charge.warm_up", "Pack warmed up"),
    ("charge.energy", "By the meter"),
    ("charge.metered_at", "Metered at"),
    ("charge.meter_class", "Meter's class"),
    ("charge.lost", "Lost before the pack"),
    ("charge.lost_u", "Standard uncertainty of that"),
    ("battery.chemistry", "Cells"),
    ("battery.nameplate", "By the nameplate"),
    ("battery.last_full_charge", "Last full charge"),
    ("road_load.a", "A"),
    ("road_load.b", "B"),
    ("road_load.c", "C"),
    ("road_load.rolling_resistance", "Rolling resistance"),
    ("road_load.drag_area", "Drag area"),
    ("road_load.reference", "Reference"),
    ("counting.start", "From"),
    ("counting.end", "To"),
    ("leave_out.from", "From"),
    ("leave_out.to", "To"),
    ("leave_out.why", "Why"),
    ("rated.name", "Name"),
    ("rated.range", "Range"),
    ("rated.consumption", "Energy per distance"),
    ("rated.usable", "Usable energy"),
    ("tolerances.gain", "Gain, in parts"),
    ("tolerances.limit_gain", "Gain, a limit, in parts"),
    ("tolerances.offset", "Zero"),
    ("tolerances.limit_offset", "Zero, a limit"),
    ("tolerances.basis", "Known from"),
    ("tolerances.sensor", "Instrument"),
];

/// The key without its unit, and the unit.
fn unit_of(key: &str) -> Option<(&str, &'static str)> {
    UNITS.iter().find_map(|(ending, unit)| Some((key.strip_suffix(ending)?, *unit)))
}

/// A sensor's zero has the sensor's unit.
fn zero_unit(path: &str) -> Option<&'static str> {
    let sensors = [("pack_current", "A"), ("pack_voltage", "V"), ("pack_power", "W")];
    let of = path.strip_prefix("tolerances.").filter(|path| path.ends_with("offset"))?;
    sensors.iter().find(|(sensor, _)| of.starts_with(sensor)).map(|(_, unit)| *unit)
}

/// The unit of a key's value; empty where it has none.
pub(super) fn unit(path: &str) -> &'static str {
    zero_unit(path).or_else(|| Some(unit_of(path)?.1)).unwrap_or_default()
}

/// A key's place among those that are known; the others come last.
pub(super) fn place(path: &str) -> usize {
    known(path).map_or(LABELS.len(), |(place, _)| place)
}

/// What a key is called: `driving.target_kmh`, `rated.0.range_km`, `tolerances.odometer.gain`.
pub(super) fn label(path: &str) -> String {
    if let Some((_, label)) = known(path) {
        return label.to_owned();
    }
    let key = path.rsplit('.').next().unwrap_or(path).replace('_', " ");
    let mut chars = key.chars();
    chars.next().map(|first| first.to_uppercase().collect::<String>() + chars.as_str()).unwrap_or_default()
}

fn known(path: &str) -> Option<(usize, &'static str)> {
    let bare = unit_of(path).map_or(path, |(bare, _)| bare);
    // Which of several ratings, or of which sensor, does not matter here; charges have the same keys.
    let parts: Vec<&str> = bare.split('.').collect();
    let general = match parts[..] {
        [table, _, key] => format!("{table}.{key}"),
        _ => bare.to_owned(),
    };
    let find = |path: &str| LABELS.iter().position(|(key, _)| *key == path).map(|place| (place, LABELS[place].1));
    find(&general).or_else(|| find(general.strip_prefix("re").filter(|rest| rest.starts_with("charge."))?))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every key of the card's template, as paths.
    fn template_keys() -> Vec<String> {
        let mut table = String::new();
        let mut keys = Vec::new();
        for line in crate::card::TEMPLATE.lines() {
            let line = line.strip_prefix('#').unwrap_or(line);
            if let Some(name) = line.strip_prefix('[') {
                table = name.trim_start_matches('[').split(']').next().unwrap().to_owned() + ".";
            } else if let Some((key, _)) = line.split_once(" = ")
                && key.bytes().all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'_')
            {
                keys.push(format!("{table}{key}"));
            }
        }
        keys
    }

    #[test]
    fn every_key_of_the_card_has_words_of_its_own() {
        let keys = template_keys();
        assert!(keys.len() > 90, "{} keys", keys.len());
        for key in keys {
            let not_shown = super::super::NOT_SHOWN.contains(&&*key);
            assert!(not_shown || known(&key).is_some(), "{key}");
        }
    }

    #[test]
    fn keys_are_called_and_measured() {
        for (key, called, measured) in [
            ("tyres.set_bar", "As set, cold", "bar"),
            ("recharge.energy_kwh", "By the meter", "kWh"),
            ("recharge.pack_degf", "Pack at its begin", "°F"),
            ("rated.0.consumption_wh_per_mi", "Energy per distance", "Wh/mi"),
            ("tolerances.pack_voltage.limit_offset", "Zero, a limit", "V"),
            ("road_load.c_n_per_kmh2", "C", "N/(km/h)²"),
            ("something_new", "Something new", ""),
        ] {
            assert_eq!((&*label(key), unit(key)), (called, measured), "{key}");
        }
    }
}
