//! The tables of a card, each checked: car, tyres, load, charge, weather, road, ratings, sensors.
//!
//! The ranges are those beyond which a number is a slip of the hand or of the unit (common practice, no source); they say
//! nothing of what is wise.

use super::super::numbers::{AIR_PRESSURE, LENGTH, MASS, PER_DISTANCE, PRESSURE, SPEED, TEMPERATURE, WIND};
use super::super::words::{Sensor, ToleranceBasis};
use super::super::written::*;
use super::super::*;
use super::Check;
use crate::quantity::{MPS_PER_KMH, PASCAL_PER_BAR};

/// Energy of a charge, kWh.
const CHARGE_KWH: std::ops::RangeInclusive<f64> = 0.01..=1_000.0;
const PERCENT: std::ops::RangeInclusive<f64> = 0.0..=100.0;

impl Check<'_> {
    pub(super) fn driving(&mut self, written: WrittenDriving) -> Driving {
        let target = [written.target_kmh, written.target_mph];
        let tolerance = [written.tolerance_kmh, written.tolerance_mph];
        let zero = SPEED.iter().zip(tolerance).find(|(_, value)| *value == Some(0.0));
        let tolerance = match zero {
            Some((unit, _)) => {
                let key = format!("driving.tolerance{}", unit.suffix);
                self.say(&key, "a tolerance of 0 lets nothing be held", "give how far off the target still counts");
                None
            }
            None => {
                let range = 0.2 * MPS_PER_KMH..=30.0 * MPS_PER_KMH;
                self.in_units("driving.tolerance", "a tolerance", &tolerance, SPEED, range)
            }
        };
        let range = 10.0 * MPS_PER_KMH..=300.0 * MPS_PER_KMH;
        let target = self.in_units("driving.target", "a target speed", &target, SPEED, range);
        if let Some((target, tolerance)) = target.zip(tolerance)
            && tolerance >= target
        {
            self.say("driving", "the tolerance is as large as the target speed", "correct one of them");
        }
        Driving {
            target: target.map(MetrePerSecond),
            tolerance: tolerance.map(MetrePerSecond),
            assist: written.assist,
            mode: written.mode,
            leave_out: written.leave_out,
        }
    }

    pub(super) fn tyres(&mut self, written: WrittenTyres) -> Tyres {
        let placard = [written.placard_bar, written.placard_kpa, written.placard_psi];
        let set = [written.set_bar, written.set_kpa, written.set_psi];
        let cold = [written.set_at_degc, written.set_at_degf];
        let temperature = self.in_units("tyres.set_at", "a tyre temperature", &cold, TEMPERATURE, -50.0..=80.0);
        Tyres {
            label: written.label,
            placard: self.pressures("tyres.placard", &placard),
            set: self.pressures("tyres.set", &set),
            set_temperature: temperature.map(Celsius),
            tread: self
                .number("tyres.tread_mm", "a tread", written.tread_mm, "mm", 0.0..=25.0)
                .map(|mm| Metre(mm / 1e3)),
        }
    }

    fn pressures(&mut self, key: &str, given: &[Option<Numbers>; 3]) -> Option<[Pascal; 4]> {
        let range = 1.2 * PASCAL_PER_BAR..=7.0 * PASCAL_PER_BAR;
        let read = self.lists_in_units(key, "a cold tyre pressure", given, PRESSURE, range)?;
        let wheels = match *read {
            [all] => [all; 4],
            [front, rear] => [front, front, rear, rear],
            [front_left, front_right, rear_left, rear_right] => [front_left, front_right, rear_left, rear_right],
            _ => {
                let unit =
                    PRESSURE.iter().zip(given).find(|(_, list)| list.is_some()).map_or("", |(unit, _)| unit.suffix);
                let what = format!("{} tyre pressures", read.len());
                let remedy = "give one, [front, rear], or [front left, front right, rear left, rear right]";
                self.say(&format!("{key}{unit}"), what, remedy);
                return None;
            }
        };
        Some(wheels.map(Pascal))
    }

    pub(super) fn load(&mut self, written: &WrittenLoad) -> Load {
        let (car, load) = ([written.car_kg, written.car_lb], [written.load_kg, written.load_lb]);
        let persons = self.number("load.persons", "a number of persons", written.persons, "", 0.0..=100.0);
        let whole = persons.filter(|persons| persons.fract() == 0.0);
        if let Some(persons) = persons.filter(|_| whole.is_none()) {
            self.say("load.persons", format!("a number of persons of {persons} is impossible"), "give a whole number");
        }
        Load {
            car: self.in_units("load.car", "a mass of the empty car", &car, MASS, 100.0..=20_000.0).map(Kilogram),
            load: self.in_units("load.load", "a load", &load, MASS, 0.0..=10_000.0).map(Kilogram),
            persons: whole.map(|persons| persons as u32),
            by: written.by,
        }
    }

    pub(super) fn trailer(&mut self, written: &WrittenTrailer) -> Trailer {
        let (mass, area) = ([written.mass_kg, written.mass_lb], written.frontal_area_m2);
        Trailer {
            mass: self.in_units("trailer.mass", "a mass of the trailer", &mass, MASS, 10.0..=10_000.0).map(Kilogram),
            frontal_area_m2: self.number("trailer.frontal_area_m2", "a frontal area", area, "m2", 0.1..=20.0),
        }
    }

    pub(super) fn climate(&mut self, written: WrittenClimate) -> Climate {
        let cabin = [written.cabin_degc, written.cabin_degf];
        let cabin = self.in_units("climate.cabin", "a cabin temperature", &cabin, TEMPERATURE, 5.0..=40.0);
        Climate { setting: written.setting, cabin: cabin.map(Celsius), note: written.note }
    }

    pub(super) fn charge(&mut self, table: &str, written: WrittenCharge) -> Charge {
        let key = |name: &str| format!("{table}.{name}");
        let pack = [written.pack_degc, written.pack_degf];
        let rest = self.number(&key("rest_min"), "a rest", written.rest_min, "min", 0.0..=100_000.0);
        let energy = self.number(&key("energy_kwh"), "a charged energy", written.energy_kwh, "kWh", CHARGE_KWH);
        let mut charge = Charge {
            start: self.moment(&key("start"), &written.start),
            end: self.moment(&key("end"), &written.end),
            from_percent: self.number(&key("from_percent"), "a state of charge", written.from_percent, "%", PERCENT),
            to_percent: self.number(&key("to_percent"), "a state of charge", written.to_percent, "%", PERCENT),
            current: written.current,
            supply: written.supply,
            rest: rest.map(|minutes| Span::from_seconds(minutes * 60.0)),
            pack: self.in_units(&key("pack"), "a pack temperature", &pack, TEMPERATURE, -50.0..=80.0).map(Celsius),
            warm_up: written.warm_up,
            energy: energy.map(Joule::from_kwh),
            metered_at: written.metered_at,
            meter_class: written.meter_class,
            lost: self
                .number(&key("lost_kwh"), "a lost energy", written.lost_kwh, "kWh", 0.0..=1_000.0)
                .map(Joule::from_kwh),
            lost_u: self
                .number(
                    &key("lost_u_kwh"),
                    "an uncertainty of the lost energy",
                    written.lost_u_kwh,
                    "kWh",
                    0.0..=1_000.0,
                )
                .map(Joule::from_kwh),
        };
        if let Some((lost, energy)) = charge.lost.zip(charge.energy).filter(|(lost, energy)| lost.0 >= energy.0) {
            let what = format!("{} kWh lost of {} kWh metered leave nothing for the pack", lost.kwh(), energy.kwh());
            self.say(&key("lost_kwh"), what, "correct one of them");
            charge.lost = None;
        }
        if charge.start.zip(charge.end).is_some_and(|(start, end)| end <= start) {
            self.say(&key("end"), "the charge ends before it starts", format!("correct {table}.start or {table}.end"));
            (charge.start, charge.end) = (None, None);
        }
        if charge.from_percent.zip(charge.to_percent).is_some_and(|(from, to)| to < from) {
            let remedy = format!("correct {table}.from_percent or {table}.to_percent");
            self.say(&key("to_percent"), "the charge lowered the state of charge", remedy);
            (charge.from_percent, charge.to_percent) = (None, None);
        }
        charge
    }

    pub(super) fn battery(&mut self, written: &WrittenBattery) -> Battery {
        let nameplate =
            self.number("battery.nameplate_kwh", "a nameplate energy", written.nameplate_kwh, "kWh", 1.0..=1_000.0);
        let key = "battery.last_full_charge";
        // Of that one the day is enough: noon UTC stands for it.
        let last = match &written.last_full_charge {
            Some(Moment::Datetime(day)) if day.time.is_none() && day.date.is_some() => {
                WallClock::parse_iso(&format!("{day}T12:00:00Z"))
            }
            written => self.moment(key, written),
        };
        Battery { chemistry: written.chemistry, nameplate: nameplate.map(Joule::from_kwh), last_full_charge: last }
    }

    pub(super) fn weather(&mut self, written: WrittenWeather) -> Weather {
        let temperature = [written.temperature_degc, written.temperature_degf];
        let pressure = [written.pressure_hpa, written.pressure_inhg];
        let wind = [written.wind_mps, written.wind_kmh, written.wind_mph];
        let (humidity, from) = (written.humidity_percent, written.wind_from_deg);
        let air = "an air temperature";
        if written.pressure_of.is_none() && pressure.iter().any(Option::is_some) {
            let unit = if written.pressure_hpa.is_some() { "weather.pressure_hpa" } else { "weather.pressure_inhg" };
            let fault = self.document.fault_at_key(unit, "nothing says whether the air pressure is of the place");
            let remedy = "add pressure_of = \"the place\" or \"sea level\"; until then it is not used";
            self.faults.push(fault.remedy(remedy).warning());
        }
        Weather {
            temperature: self
                .in_units("weather.temperature", air, &temperature, TEMPERATURE, -60.0..=60.0)
                .map(Celsius),
            pressure: self
                .in_units("weather.pressure", "an air pressure", &pressure, AIR_PRESSURE, 50_000.0..=110_000.0)
                .map(Pascal),
            pressure_of: written.pressure_of,
            humidity_percent: self.number("weather.humidity_percent", "a relative humidity", humidity, "%", PERCENT),
            wind: self.in_units("weather.wind", "a wind", &wind, WIND, 0.0..=60.0).map(MetrePerSecond),
            wind_from_deg: self.number("weather.wind_from_deg", "a direction", from, "degrees", 0.0..=360.0),
            note: written.note,
        }
    }

    pub(super) fn road(&mut self, written: WrittenRoad) -> Road {
        let wet = self.number("road.wet_percent", "a wet share", written.wet_percent, "%", PERCENT);
        Road { wet_percent: wet, traffic: written.traffic, note: written.note }
    }

    pub(super) fn rated(&mut self, written: Vec<WrittenRated>) -> Vec<Rated> {
        let mut all: Vec<Rated> = Vec::new();
        for (index, one) in written.into_iter().enumerate() {
            let key = |name: &str| format!("rated.{index}.{name}");
            let range = [one.range_km, one.range_mi];
            let consumption = [one.consumption_wh_per_km, one.consumption_wh_per_mi];
            let says_nothing = range.iter().chain(&consumption).chain([&one.usable_kwh]).all(Option::is_none);
            let rated = Rated {
                name: one.name.unwrap_or_default(),
                range: self.in_units(&key("range"), "a rated range", &range, LENGTH, 10e3..=5_000e3).map(Metre),
                consumption: self.in_units(
                    &key("consumption"),
                    "a rated energy per distance",
                    &consumption,
                    PER_DISTANCE,
                    50.0 * 3.6..=2_000.0 * 3.6,
                ),
                usable: self
                    .number(&key("usable_kwh"), "a rated usable energy", one.usable_kwh, "kWh", 1.0..=1_000.0)
                    .map(Joule::from_kwh),
            };
            if rated.name.trim().is_empty() {
                self.say(&key("name"), "a rating without a name", "add name = \"...\": by whom, or after what cycle");
            } else if all.iter().any(|known| known.name == rated.name) {
                self.say(&key("name"), format!("two ratings are named '{}'", rated.name), "rename one");
            } else if says_nothing {
                let what = format!("the rating '{}' says nothing", rated.name);
                self.say(&key("name"), what, "add range_km, consumption_wh_per_km or usable_kwh");
            } else {
                all.push(rated);
            }
        }
        all
    }

    pub(super) fn tolerances(&mut self, written: &WrittenTolerances) -> (Vec<SensorTolerance>, Vec<(Sensor, String)>) {
        let sensors = [
            (Sensor::PackCurrent, &written.pack_current),
            (Sensor::PackVoltage, &written.pack_voltage),
            (Sensor::PackPower, &written.pack_power),
            (Sensor::Speed, &written.speed),
            (Sensor::Odometer, &written.odometer),
        ];
        let given = sensors.into_iter().filter_map(|(sensor, form)| Some((sensor, form.as_ref()?)));
        let (mut tolerances, mut instruments) = (Vec::new(), Vec::new());
        for (sensor, form) in given {
            tolerances.extend(self.tolerance(sensor, form));
            instruments.extend(self.instrument(sensor, form).map(|name| (sensor, name)));
        }
        (tolerances, instruments)
    }

    /// The name of an instrument that is not the car's own.
    fn instrument(&mut self, sensor: Sensor, form: &WrittenTolerance) -> Option<String> {
        let name = form.sensor.as_ref()?.trim();
        if name.is_empty() {
            let place = format!("tolerances.{}.sensor", sensor.written());
            self.say(&place, "the sensor's name is empty", "give the instrument's name, or remove the key");
            return None;
        }
        Some(name.to_owned())
    }

    fn tolerance(&mut self, sensor: Sensor, form: &WrittenTolerance) -> Option<SensorTolerance> {
        let table = format!("tolerances.{}", sensor.written());
        let gain = self.one_of(&table, "gain", form.gain, form.limit_gain, 0.5);
        let mut offset = self.one_of(&table, "offset", form.offset, form.limit_offset, f64::MAX);
        if offset.is_some() && matches!(sensor, Sensor::Speed | Sensor::Odometer) {
            let key = if form.offset.is_some() { "offset" } else { "limit_offset" };
            let what = format!("the {} has no offset: distance is a difference", sensor.written());
            self.say(&format!("{table}.{key}"), what, "give its gain alone");
            offset = None;
        }
        let any = gain.is_some() || offset.is_some();
        let basis = form.basis.unwrap_or(ToleranceBasis::Assumed);
        any.then_some(SensorTolerance { sensor, gain, offset, basis })
    }

    /// A standard uncertainty: as given, or a limit over the root of 3 (a rectangle, JCGM 100:2008, 4.3.7).
    fn one_of(&mut self, table: &str, key: &str, standard: Option<f64>, limit: Option<f64>, most: f64) -> Option<f64> {
        let (key, given, over) = match (standard, limit) {
            (Some(_), Some(_)) => {
                let what = format!("{key} and limit_{key} say the same thing");
                self.say(&format!("{table}.limit_{key}"), what, "keep one");
                return None;
            }
            (Some(standard), None) => (key.to_owned(), standard, 1.0),
            (None, limit) => (format!("limit_{key}"), limit?, 3f64.sqrt()),
        };
        let place = format!("{table}.{key}");
        let article = if key.starts_with('o') { "an" } else { "a" };
        if given == 0.0 {
            self.say(
                &place,
                format!("{article} {key} of 0: no sensor is perfect"),
                "give what its data sheet says, or remove it",
            );
            None
        } else if !(given > 0.0 && given <= most) {
            let remedy = if most < 1.0 { "give it in parts, above 0 and up to 0.5" } else { "give a number above 0" };
            self.say(&place, format!("{article} {key} of {given} is impossible"), remedy);
            None
        } else {
            Some(given / over)
        }
    }
}
