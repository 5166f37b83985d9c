//! The names of the sources of error that figures of a test have in common: the same name is the same error.
//!
//! Holds names alone; `docs/figures.md` says of each what it rests on.
//!
//! Says nothing of their size.

use super::estimate::Source;

macro_rules! sources {
    ($($(#[$doc:meta])* $name:ident $text:literal;)*) => {
        $($(#[$doc])* pub const $name: Source = Source::named($text);)*
    };
}

sources! {
    /// The current sensor's gain.
    CURRENT_GAIN "current gain";
    /// The current sensor's zero.
    CURRENT_ZERO "current zero";
    /// The voltage sensor's gain.
    VOLTAGE_GAIN "voltage gain";
    /// The voltage sensor's zero.
    VOLTAGE_ZERO "voltage zero";
    /// The gain of a power that the car itself gives.
    POWER_GAIN "power gain";
    /// The zero of a power that the car itself gives.
    POWER_ZERO "power zero";
    /// Voltage and current may belong to slightly different moments.
    SKEW "skew of voltage and current";
    /// What lies between the samples.
    SAMPLING "sampling";
    /// What gaps left out, beyond its estimate.
    GAPS "gaps";
    /// What happened between runs, beyond its estimate.
    JOINS "between runs";
    /// A display's readings are rounded.
    SOC_ROUNDING "rounding of the state of charge";
    /// When a tick was seen, and how the battery computer wanders.
    TICKS "timing of ticks";
    /// The display is not quite a share of charge.
    BEND "bend of the display";
    /// The voltage where nothing was measured.
    VOLTAGE_OUTSIDE "voltage outside the span";
    /// The scale of the wheel speed.
    SPEED_SCALE "scale of the speed";
    /// The scale of the odometer.
    ODOMETER_SCALE "scale of the odometer";
    /// The odometer counts in steps.
    ODOMETER_ROUNDING "rounding of the odometer";
    /// The scale of the satellite receiver's speed and line.
    SATELLITE_SPEED "scale of the satellite speed";
    /// The noise of its speed and positions.
    SATELLITE_NOISE "noise of the satellite receiver";
    /// Where the receiver was silent, the wheels' speed counts.
    BRIDGED "ways without satellites";
    /// Where neither was there, a straight line counts.
    FIXES_APART "chords between fixes";
    /// The ratio of wheels to satellite speed, from minute to minute.
    WHEEL_RATIO "ratio of wheel and satellite speed";
    /// Tyres where the ratio was not seen.
    TYRE_DRIFT "warmth of the tyres";
    /// What the car weighs with all in it.
    MASS "mass of the car";
    /// Heights of start and end.
    HEIGHT "height of the ends";
    /// What the car's speed holds at the ends of held stretches.
    KINETIC "speed at the ends of stretches";
    /// How steadily the dial reads.
    DIAL "reading of the dial";
    /// The dial shows whole numbers.
    DIAL_ROUNDING "rounding of the dial";
    /// How the dial's reading rises with the speed.
    DIAL_SLOPE "slope of the dial";
    /// What the dial may show more at every speed.
    DIAL_OFFSET "offset of the dial";
    /// Distance that gaps left out, beyond its estimate.
    DISTANCE_GAPS "gaps of the speed";
    /// A charge's meter, by its class.
    METER "meter";
    /// What is lost between meter and pack, as the card says.
    BETWEEN "losses between meter and pack";
    /// What a dispenser's cable loses.
    CABLE "cable";
    /// What a charging car uses itself.
    OWN_DRAW "own draw";
    /// The temperature of the air.
    AIR_TEMPERATURE "temperature of the air";
    /// The pressure of the air.
    AIR_PRESSURE "pressure of the air";
    /// The humidity of the air.
    HUMIDITY "humidity";
    /// The wind.
    WIND "wind";
    /// How tyres roll by temperature.
    TYRES "tyres by temperature";
    /// How the road load parts into rolling and drag.
    ROAD_LOAD "road load";
    /// What accessories and climate took.
    ACCESSORIES "accessories";
    /// The heights of the road.
    ROAD_HEIGHT "height of the road";
    /// What differs from test to test of one car and is in no other source.
    BETWEEN_TESTS "scatter between tests";
}
