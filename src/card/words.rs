//! The words that a card's keys may hold, each as written and as people read it.
//!
//! Knows no key and judges nothing.

use serde::Deserialize;

macro_rules! words {
    ($($(#[$doc:meta])* $name:ident { $($(#[$of:meta])* $word:ident $text:literal,)* })*) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Deserialize)]
        pub enum $name {$(
            $(#[$of])*
            #[serde(rename = $text)]
            $word,
        )*}

        impl $name {
            /// As the card writes it.
            pub fn written(self) -> &'static str {
                match self { $(Self::$word => $text,)* }
            }
        }
    )*};
}

words! {
    /// Which state of charge counts.
    SocCounts {
        /// As displayed to the driver.
        Displayed "displayed",
        /// As the battery computer holds it, of the whole pack.
        Internal "internal",
    }
    /// Which distance counts.
    DistanceCounts {
        /// The integral of the wheel speed.
        Speed "speed",
        /// The odometer's difference.
        Odometer "odometer",
        /// The length of the line through the satellite fixes.
        Fixes "fixes",
    }
    /// How the charge before the test ended.
    #[derive(Default)]
    FullCharge {
        /// The car ended it: the current went to zero by the car's own decision.
        EndedByTheCar "ended by the car",
        /// The display said 100 %, no more is known.
        DisplayOnly "display only",
        /// Nothing is known.
        #[default]
        Unknown "unknown",
    }
    /// What helped the driver to hold the speed.
    Assist {
        /// The right foot alone.
        None "none",
        /// A limit that the car does not go beyond.
        Limiter "limiter",
        /// The car holds a set speed.
        CruiseControl "cruise control",
        /// The car holds a set speed, and its distance to the car ahead.
        AdaptiveCruiseControl "adaptive cruise control",
        /// The same, and it keeps its lane.
        AdaptiveWithSteering "adaptive cruise control with steering",
    }
    /// What a rule leaves out of figures over held stretches.
    LeftOutKind {
        /// Turning from one direction of the course to the other.
        Turn "turn",
        /// Slowed by others.
        Traffic "traffic",
        /// Standing.
        Stop "stop",
    }
    /// What the climate control was told.
    ClimateSetting {
        /// Off.
        Off "off",
        /// Air without heat or cold.
        FanOnly "fan only",
        /// Heating.
        Heating "heating",
        /// Cooling.
        Cooling "cooling",
        /// As the car sees fit for the temperature that is set.
        Automatic "automatic",
    }
    /// What kind of current a charge took.
    ChargeCurrent {
        /// Alternating current through the car's own charger.
        Ac "AC",
        /// Direct current from a station.
        Dc "DC",
    }
    /// Where the energy of a charge was metered.
    MeteredAt {
        /// Before the charging equipment.
        Wall "wall",
        /// By the charging station, at its cable.
        Dispenser "dispenser",
    }
    /// Class of a meter of energy. A, B and C: EN 50470-3 and the measuring instruments directive 2014/32/EU; numbers:
    /// IEC 62053-21 and -22. The limits are those at reference conditions, from memory.
    MeterClass {
        /// 2 %.
        A "A",
        /// 1 %.
        B "B",
        /// 0.5 %.
        C "C",
        /// 2 %.
        Two "2",
        /// 1 %.
        One "1",
        /// 0.5 %.
        Half "0.5",
        /// 0.5 %, from a hundredth of the current on.
        HalfS "0.5 S",
        /// 0.2 %, from a hundredth of the current on.
        FifthS "0.2 S",
    }
    /// What warmed or cooled the pack before the counted start.
    WarmUp {
        /// Nothing did.
        None "none",
        /// The plug's energy.
        FromThePlug "from the plug",
        /// The pack's own energy.
        FromThePack "from the pack",
    }
    /// Which place an air pressure belongs to.
    PressureOf {
        /// The place of the test.
        Place "the place",
        /// Reduced to sea level, as weather services publish it.
        SeaLevel "sea level",
    }
    /// Conditions that a road load holds at and that figures are restated at, from memory of the procedures.
    Reference {
        /// SAE J1263 and J2263: 20 degC, 98.21 kPa, no wind.
        Sae "SAE",
        /// WLTP (UN GTR No. 15): 20 degC, 100 kPa, no wind.
        Wltp "WLTP",
    }
    /// How much other traffic there was.
    Traffic {
        /// None to speak of.
        Free "free",
        /// Some, without a hindrance.
        Light "light",
        /// It took attention to hold the speed.
        Dense "dense",
        /// The speed could not be held.
        StopAndGo "stop and go",
    }
    /// How a mass became known.
    MassBy {
        /// On scales.
        Weighed "weighed",
        /// From the car's papers.
        Papers "papers",
        /// By a guess.
        Estimated "estimated",
    }
    /// Chemistry of the cells.
    Chemistry {
        /// Lithium nickel manganese cobalt oxide.
        Nmc "NMC",
        /// Lithium nickel cobalt aluminium oxide.
        Nca "NCA",
        /// Lithium iron phosphate.
        Lfp "LFP",
        /// Lithium manganese iron phosphate.
        Lmfp "LMFP",
        /// Lithium manganese oxide.
        Lmo "LMO",
        /// Sodium ion.
        Sodium "sodium ion",
    }
    /// What a sensor's tolerance rests on.
    ToleranceBasis {
        /// Its maker's data sheet.
        DataSheet "data sheet",
        /// A charge measured by a meter and by the sensor.
        Balanced "balanced against a meter",
        /// Assumed.
        Assumed "assumed",
    }
    /// A sensor whose tolerance a card may give; written as the map's role.
    Sensor {
        /// The pack's current, A.
        PackCurrent "pack_current",
        /// The pack's voltage, V.
        PackVoltage "pack_voltage",
        /// The pack's power, W.
        PackPower "pack_power",
        /// The wheel speed.
        Speed "speed",
        /// The odometer.
        Odometer "odometer",
    }
}

impl DistanceCounts {
    /// As people read it.
    pub fn text(self) -> &'static str {
        match self {
            Self::Speed => "integrated speed",
            Self::Odometer => "odometer",
            Self::Fixes => "satellite fixes",
        }
    }
}

impl Reference {
    /// Temperature, degC, and pressure, Pa.
    pub fn air(self) -> (f64, f64) {
        match self {
            Self::Sae => (20.0, 98_210.0),
            Self::Wltp => (20.0, 100_000.0),
        }
    }
}

impl MeterClass {
    /// The limit of its error, in parts of what it shows.
    pub fn limit(self) -> f64 {
        match self {
            Self::A | Self::Two => 0.02,
            Self::B | Self::One => 0.01,
            Self::C | Self::Half | Self::HalfS => 0.005,
            Self::FifthS => 0.002,
        }
    }
}
