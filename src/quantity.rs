//! Physical quantities: one type a dimension in SI units, and every conversion between units, once.
//!
//! Does not format (see [`crate::format`]), does not carry uncertainty (see the reduce room).
//! State of charge and other shares stay in percent, because the cars' displays, the maps and the testers all speak percent.

use std::iter::Sum;
use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub, SubAssign};

macro_rules! quantity {
    ($($(#[$doc:meta])* $name:ident, $unit:literal;)*) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, PartialOrd, Default)]
        #[repr(transparent)]
        pub struct $name(
            #[doc = concat!("The value in ", $unit, ".")]
            pub f64,
        );

        impl std::fmt::Debug for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                write!(f, "{} {}", self.0, $unit)
            }
        }
        impl Add for $name { type Output = Self; fn add(self, o: Self) -> Self { Self(self.0 + o.0) } }
        impl Sub for $name { type Output = Self; fn sub(self, o: Self) -> Self { Self(self.0 - o.0) } }
        impl AddAssign for $name { fn add_assign(&mut self, o: Self) { self.0 += o.0 } }
        impl SubAssign for $name { fn sub_assign(&mut self, o: Self) { self.0 -= o.0 } }
        impl Neg for $name { type Output = Self; fn neg(self) -> Self { Self(-self.0) } }
        impl Mul<f64> for $name { type Output = Self; fn mul(self, k: f64) -> Self { Self(self.0 * k) } }
        impl Div<f64> for $name { type Output = Self; fn div(self, k: f64) -> Self { Self(self.0 / k) } }
        impl Div for $name { type Output = f64; fn div(self, o: Self) -> f64 { self.0 / o.0 } }
        impl Sum for $name { fn sum<I: Iterator<Item = Self>>(it: I) -> Self { Self(it.map(|q| q.0).sum()) } }
    )*};
}

quantity! {
    /// Electric potential difference.
    Volt, "V";
    /// Electric current; in the ledger, discharge is positive.
    Ampere, "A";
    /// Power; in the ledger, out of the pack is positive.
    Watt, "W";
    /// Energy.
    Joule, "J";
    /// Electric charge.
    Coulomb, "C";
    /// Length.
    Metre, "m";
    /// Speed.
    MetrePerSecond, "m/s";
    /// Temperature on the Celsius scale.
    Celsius, "degC";
    /// Mass.
    Kilogram, "kg";
    /// Pressure; of tyres above that of the air around, else absolute.
    Pascal, "Pa";
}

/// Joules in a watt-hour (exact).
pub const JOULE_PER_WH: f64 = 3_600.0;
/// Joules in a kilowatt-hour (exact).
pub const JOULE_PER_KWH: f64 = 3_600_000.0;
/// Coulombs in an ampere-hour (exact).
pub const COULOMB_PER_AH: f64 = 3_600.0;
/// Metres in an international mile (exact).
pub const METRE_PER_MILE: f64 = 1_609.344;
/// Metres per second in a kilometre per hour (exact).
pub const MPS_PER_KMH: f64 = 1.0 / 3.6;
/// Metres per second in a mile per hour (exact).
pub const MPS_PER_MPH: f64 = 0.447_04;
/// Metres per second in a knot (exact: 1852 m an hour).
pub const MPS_PER_KNOT: f64 = 1_852.0 / 3_600.0;
/// Newtons in a pound-force (exact).
pub const NEWTON_PER_LBF: f64 = 4.448_221_615_260_5;
/// Kilograms in an avoirdupois pound (exact).
pub const KILOGRAM_PER_LB: f64 = 0.453_592_37;
/// Pascals in a bar (exact).
pub const PASCAL_PER_BAR: f64 = 1e5;
/// Pascals in a pound-force per square inch (exact: the pound-force over 0.0254 m squared).
pub const PASCAL_PER_PSI: f64 = NEWTON_PER_LBF / (0.025_4 * 0.025_4);
/// 0 degC in kelvin (exact).
pub const KELVIN_AT_0_DEGC: f64 = 273.15;

impl Joule {
    /// From kilowatt-hours.
    pub fn from_kwh(kwh: f64) -> Self {
        Self(kwh * JOULE_PER_KWH)
    }
    /// In watt-hours.
    pub fn wh(self) -> f64 {
        self.0 / JOULE_PER_WH
    }
    /// In kilowatt-hours.
    pub fn kwh(self) -> f64 {
        self.0 / JOULE_PER_KWH
    }
}

impl Coulomb {
    /// In ampere-hours.
    pub fn ah(self) -> f64 {
        self.0 / COULOMB_PER_AH
    }
}

impl Metre {
    /// From kilometres.
    pub fn from_km(km: f64) -> Self {
        Self(km * 1_000.0)
    }
    /// In kilometres.
    pub fn km(self) -> f64 {
        self.0 / 1_000.0
    }
    /// In miles.
    pub fn miles(self) -> f64 {
        self.0 / METRE_PER_MILE
    }
}

impl MetrePerSecond {
    /// From kilometres per hour.
    pub fn from_kmh(kmh: f64) -> Self {
        Self(kmh / 3.6)
    }
    /// In kilometres per hour.
    pub fn kmh(self) -> f64 {
        self.0 * 3.6
    }
    /// In miles per hour.
    pub fn mph(self) -> f64 {
        self.0 / MPS_PER_MPH
    }
}

/// What a unit measures; a role accepts only units of its own dimension.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash)]
pub enum Dimension {
    /// Speed, SI m/s.
    Speed,
    /// Electric potential, SI V.
    Voltage,
    /// Electric current, SI A.
    Current,
    /// Power, SI W.
    Power,
    /// Energy, SI J.
    Energy,
    /// Charge, SI C.
    Charge,
    /// Length, SI m.
    Length,
    /// Temperature, degC.
    Temperature,
    /// A share, in percent.
    Share,
    /// A state: 0 is off, anything else is on.
    State,
}

impl Dimension {
    /// The unit in which the program holds this dimension.
    pub fn base_unit(self) -> &'static str {
        match self {
            Self::Speed => "m/s",
            Self::Voltage => "V",
            Self::Current => "A",
            Self::Power => "W",
            Self::Energy => "J",
            Self::Charge => "C",
            Self::Length => "m",
            Self::Temperature => "degC",
            Self::Share => "%",
            Self::State => "",
        }
    }
}

/// A unit as maps write it: `base = value * factor + offset` in [`Dimension::base_unit`].
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Unit {
    /// What it measures.
    pub dimension: Dimension,
    /// Base units in one of this unit.
    pub factor: f64,
    /// Base-unit value of this unit's zero.
    pub offset: f64,
}

impl Unit {
    /// Reads a unit's written form; `None` when it is not one that the program knows.
    ///
    /// Spelling is exact but for the degree sign: `degC`, `°C` and `C` with temperature are told apart by [`UNITS`].
    pub fn parse(text: &str) -> Option<Self> {
        UNITS.iter().find(|(name, _)| *name == text).map(|(_, unit)| *unit)
    }

    /// A value in this unit, in the base unit of its dimension.
    pub fn to_base(self, value: f64) -> f64 {
        value * self.factor + self.offset
    }

    /// A base-unit value in this unit.
    pub fn from_base(self, base: f64) -> f64 {
        (base - self.offset) / self.factor
    }
}

const fn unit(dimension: Dimension, factor: f64) -> Unit {
    Unit { dimension, factor, offset: 0.0 }
}

/// Every unit a map, a card or a CSV column may name, with its written forms.
#[rustfmt::skip]
pub const UNITS: &[(&str, Unit)] = &[
    ("m/s", unit(Dimension::Speed, 1.0)),
    ("km/h", unit(Dimension::Speed, MPS_PER_KMH)), ("kph", unit(Dimension::Speed, MPS_PER_KMH)),
    ("mph", unit(Dimension::Speed, MPS_PER_MPH)), ("mi/h", unit(Dimension::Speed, MPS_PER_MPH)),
    ("kn", unit(Dimension::Speed, MPS_PER_KNOT)),
    ("V", unit(Dimension::Voltage, 1.0)), ("mV", unit(Dimension::Voltage, 1e-3)), ("kV", unit(Dimension::Voltage, 1e3)),
    ("A", unit(Dimension::Current, 1.0)), ("mA", unit(Dimension::Current, 1e-3)),
    ("W", unit(Dimension::Power, 1.0)), ("kW", unit(Dimension::Power, 1e3)),
    ("J", unit(Dimension::Energy, 1.0)), ("kJ", unit(Dimension::Energy, 1e3)), ("MJ", unit(Dimension::Energy, 1e6)),
    ("Wh", unit(Dimension::Energy, JOULE_PER_WH)), ("kWh", unit(Dimension::Energy, JOULE_PER_KWH)),
    ("C", unit(Dimension::Charge, 1.0)), ("As", unit(Dimension::Charge, 1.0)), ("Ah", unit(Dimension::Charge, COULOMB_PER_AH)),
    ("mAh", unit(Dimension::Charge, COULOMB_PER_AH * 1e-3)),
    ("m", unit(Dimension::Length, 1.0)), ("km", unit(Dimension::Length, 1e3)), ("mi", unit(Dimension::Length, METRE_PER_MILE)),
    ("ft", unit(Dimension::Length, 0.304_8)),
    ("degC", unit(Dimension::Temperature, 1.0)), ("°C", unit(Dimension::Temperature, 1.0)),
    ("degF", Unit { dimension: Dimension::Temperature, factor: 5.0 / 9.0, offset: -160.0 / 9.0 }),
    ("°F", Unit { dimension: Dimension::Temperature, factor: 5.0 / 9.0, offset: -160.0 / 9.0 }),
    ("K", Unit { dimension: Dimension::Temperature, factor: 1.0, offset: -KELVIN_AT_0_DEGC }),
    ("%", unit(Dimension::Share, 1.0)), ("percent", unit(Dimension::Share, 1.0)), ("1", unit(Dimension::Share, 100.0)),
    ("", unit(Dimension::State, 1.0)), ("state", unit(Dimension::State, 1.0)),
];

/// How a tester wants energy per distance written; chosen once, for all output.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum ConsumptionUnit {
    /// Watt-hours per kilometre.
    #[default]
    WhPerKm,
    /// Kilowatt-hours per 100 km.
    KwhPer100Km,
    /// Watt-hours per mile.
    WhPerMi,
    /// Miles per kilowatt-hour: the reciprocal of the others.
    MiPerKwh,
}

impl ConsumptionUnit {
    /// Energy per distance (J/m) in this unit.
    pub fn from_joule_per_metre(self, joule_per_metre: f64) -> f64 {
        let wh_per_km = joule_per_metre / 3.6;
        match self {
            Self::WhPerKm => wh_per_km,
            Self::KwhPer100Km => wh_per_km / 10.0,
            Self::WhPerMi => wh_per_km * METRE_PER_MILE / 1_000.0,
            Self::MiPerKwh => 1_000_000.0 / (wh_per_km * METRE_PER_MILE),
        }
    }

    /// Energy per distance in J/m of a value in this unit.
    pub fn to_joule_per_metre(self, value: f64) -> f64 {
        match self {
            Self::WhPerKm => value * 3.6,
            Self::KwhPer100Km => value * 36.0,
            Self::WhPerMi => value * 3_600.0 / METRE_PER_MILE,
            Self::MiPerKwh => 3_600_000.0 / (value * METRE_PER_MILE),
        }
    }

    /// Whether distances beside it are in miles.
    pub fn in_miles(self) -> bool {
        matches!(self, Self::WhPerMi | Self::MiPerKwh)
    }

    /// As printed after the value.
    pub fn symbol(self) -> &'static str {
        match self {
            Self::WhPerKm => "Wh/km",
            Self::KwhPer100Km => "kWh/100 km",
            Self::WhPerMi => "Wh/mi",
            Self::MiPerKwh => "mi/kWh",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: f64, b: f64) {
        assert!((a - b).abs() <= 1e-12 * b.abs().max(1.0), "{a} is not {b}");
    }

    #[test]
    fn every_unit_converts_there_and_back() {
        for (name, unit) in UNITS {
            for value in [-40.0, 0.0, 0.001, 1.0, 98.6, 1e7] {
                let back = unit.from_base(unit.to_base(value));
                assert!((back - value).abs() <= 1e-9 * value.abs().max(1.0), "{name}: {value} came back as {back}");
            }
        }
    }

    #[test]
    fn exact_definitions() {
        // International yard and pound agreement 1959; SI brochure, 9th edition, table 8.
        close(Unit::parse("mi").unwrap().to_base(1.0), 1_609.344);
        close(Unit::parse("mph").unwrap().to_base(1.0), 0.447_04);
        close(Unit::parse("kWh").unwrap().to_base(1.0), 3.6e6);
        close(Unit::parse("degF").unwrap().to_base(212.0), 100.0);
        close(Unit::parse("degF").unwrap().to_base(-40.0), -40.0);
        close(Unit::parse("K").unwrap().to_base(273.15), 0.0);
        // NIST SP 811 (2008), appendix B.8: 1 psi is 6.894 757 E+03 Pa.
        assert!((PASCAL_PER_PSI - 6_894.757).abs() < 5e-4);
    }

    #[test]
    fn consumption_units_agree() {
        // Arithmetic from the definitions: 20 kWh/100 km = 321.8688 Wh/mi = 3.10686 mi/kWh.
        let joule_per_metre = 200.0 * 3.6;
        close(ConsumptionUnit::WhPerKm.from_joule_per_metre(joule_per_metre), 200.0);
        close(ConsumptionUnit::KwhPer100Km.from_joule_per_metre(joule_per_metre), 20.0);
        close(ConsumptionUnit::WhPerMi.from_joule_per_metre(joule_per_metre), 321.868_8);
        assert!((ConsumptionUnit::MiPerKwh.from_joule_per_metre(joule_per_metre) - 3.106_86).abs() < 1e-5);
        for unit in [
            ConsumptionUnit::WhPerKm,
            ConsumptionUnit::KwhPer100Km,
            ConsumptionUnit::WhPerMi,
            ConsumptionUnit::MiPerKwh,
        ] {
            close(unit.to_joule_per_metre(unit.from_joule_per_metre(joule_per_metre)), joule_per_metre);
        }
    }
}
