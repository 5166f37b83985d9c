//! The card as its file writes it.
//!
//! Checks nothing but kinds of values and names of keys; the unit of a number stands in its key.

use std::fmt;

use serde::Deserialize;
use serde::de::{Deserializer, SeqAccess, Visitor};

use super::words::*;

/// A number, or one for each of two axles or four wheels.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Numbers(pub Vec<f64>);

impl<'de> Deserialize<'de> for Numbers {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Reader;
        impl<'de> Visitor<'de> for Reader {
            type Value = Numbers;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a number or a list of numbers")
            }
            fn visit_f64<E>(self, value: f64) -> Result<Numbers, E> {
                Ok(Numbers(vec![value]))
            }
            fn visit_i64<E>(self, value: i64) -> Result<Numbers, E> {
                Ok(Numbers(vec![value as f64]))
            }
            fn visit_u64<E>(self, value: u64) -> Result<Numbers, E> {
                Ok(Numbers(vec![value as f64]))
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<Numbers, A::Error> {
                let mut numbers = Vec::new();
                while let Some(number) = list.next_element()? {
                    numbers.push(number);
                }
                Ok(Numbers(numbers))
            }
        }
        deserializer.deserialize_any(Reader)
    }
}

/// A moment as TOML knows it, or a text.
pub(super) type Moment = toml::Value;

macro_rules! tables {
    ($($name:ident { $($key:ident: $kind:ty,)* })*) => {$(
        #[derive(Deserialize, Default)]
        #[serde(deny_unknown_fields, default)]
        pub(super) struct $name { $(pub $key: $kind,)* }
    )*};
}

tables! {
    Written {
        vehicle: Option<String>,
        label: Option<String>,
        runs: Vec<String>,
        map: Option<String>,
        course: Option<String>,
        zone: Option<String>,
        units: Option<String>,
        state_of_charge: Option<SocCounts>,
        distance: Option<DistanceCounts>,
        full_charge: FullCharge,
        claimed_usable_kwh: Option<f64>,
        note: Option<String>,
        counting: WrittenCounting,
        leave_out: Vec<WrittenLeftOut>,
        driving: WrittenDriving,
        tyres: WrittenTyres,
        load: WrittenLoad,
        trailer: Option<WrittenTrailer>,
        climate: WrittenClimate,
        charge: WrittenCharge,
        recharge: WrittenCharge,
        battery: WrittenBattery,
        weather: WrittenWeather,
        road: WrittenRoad,
        road_load: WrittenRoadLoad,
        rated: Vec<WrittenRated>,
        tolerances: WrittenTolerances,
    }
    WrittenCounting {
        start: Option<Moment>,
        end: Option<Moment>,
    }
    WrittenLeftOut {
        from: Option<Moment>,
        to: Option<Moment>,
        why: Option<String>,
    }
    WrittenDriving {
        target_kmh: Option<f64>,
        target_mph: Option<f64>,
        tolerance_kmh: Option<f64>,
        tolerance_mph: Option<f64>,
        assist: Option<Assist>,
        mode: Option<String>,
        leave_out: Vec<LeftOutKind>,
    }
    WrittenTyres {
        label: Option<String>,
        placard_kpa: Option<Numbers>,
        placard_bar: Option<Numbers>,
        placard_psi: Option<Numbers>,
        set_kpa: Option<Numbers>,
        set_bar: Option<Numbers>,
        set_psi: Option<Numbers>,
        set_at_degc: Option<f64>,
        set_at_degf: Option<f64>,
        tread_mm: Option<f64>,
    }
    WrittenLoad {
        car_kg: Option<f64>,
        car_lb: Option<f64>,
        load_kg: Option<f64>,
        load_lb: Option<f64>,
        persons: Option<f64>,
        by: Option<MassBy>,
    }
    WrittenTrailer {
        mass_kg: Option<f64>,
        mass_lb: Option<f64>,
        frontal_area_m2: Option<f64>,
    }
    WrittenClimate {
        setting: Option<ClimateSetting>,
        cabin_degc: Option<f64>,
        cabin_degf: Option<f64>,
        note: Option<String>,
    }
    WrittenCharge {
        start: Option<Moment>,
        end: Option<Moment>,
        from_percent: Option<f64>,
        to_percent: Option<f64>,
        current: Option<ChargeCurrent>,
        supply: Option<String>,
        rest_min: Option<f64>,
        pack_degc: Option<f64>,
        pack_degf: Option<f64>,
        warm_up: Option<WarmUp>,
        energy_kwh: Option<f64>,
        metered_at: Option<MeteredAt>,
        meter_class: Option<MeterClass>,
        lost_kwh: Option<f64>,
        lost_u_kwh: Option<f64>,
    }
    WrittenBattery {
        chemistry: Option<Chemistry>,
        nameplate_kwh: Option<f64>,
        last_full_charge: Option<Moment>,
    }
    WrittenWeather {
        temperature_degc: Option<f64>,
        temperature_degf: Option<f64>,
        pressure_hpa: Option<f64>,
        pressure_inhg: Option<f64>,
        pressure_of: Option<PressureOf>,
        humidity_percent: Option<f64>,
        wind_mps: Option<f64>,
        wind_kmh: Option<f64>,
        wind_mph: Option<f64>,
        wind_from_deg: Option<f64>,
        note: Option<String>,
    }
    WrittenRoad {
        wet_percent: Option<f64>,
        traffic: Option<Traffic>,
        note: Option<String>,
    }
    WrittenRoadLoad {
        a_n: Option<f64>,
        a_lbf: Option<f64>,
        b_n_per_kmh: Option<f64>,
        b_lbf_per_mph: Option<f64>,
        c_n_per_kmh2: Option<f64>,
        c_lbf_per_mph2: Option<f64>,
        rolling_resistance: Option<f64>,
        drag_area_m2: Option<f64>,
        reference: Option<Reference>,
        reference_degc: Option<f64>,
        reference_degf: Option<f64>,
        reference_hpa: Option<f64>,
        reference_inhg: Option<f64>,
    }
    WrittenRated {
        name: Option<String>,
        range_km: Option<f64>,
        range_mi: Option<f64>,
        consumption_wh_per_km: Option<f64>,
        consumption_wh_per_mi: Option<f64>,
        usable_kwh: Option<f64>,
    }
    WrittenTolerances {
        pack_current: Option<WrittenTolerance>,
        pack_voltage: Option<WrittenTolerance>,
        pack_power: Option<WrittenTolerance>,
        speed: Option<WrittenTolerance>,
        odometer: Option<WrittenTolerance>,
    }
    WrittenTolerance {
        gain: Option<f64>,
        limit_gain: Option<f64>,
        offset: Option<f64>,
        limit_offset: Option<f64>,
        basis: Option<ToleranceBasis>,
        sensor: Option<String>,
    }
}
