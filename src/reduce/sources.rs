//! The names of the sources of error that figures of a test have in common: the same name is the same error.
//!
//! Holds names alone; `docs/figures.md` says of each what it rests on.
//!
//! Says nothing of their size.

use super::estimate::Source;

/// Whether a source's error stays.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Nature {
    /// The same all through a test, and in the car's next one: driving longer or again does not lessen it.
    Systematic,
    /// Another one in every test: repeats lessen it.
    Random,
}

impl Nature {
    /// As people read it.
    pub fn text(self) -> &'static str {
        match self {
            Self::Systematic => "systematic",
            Self::Random => "random",
        }
    }

    /// Of a source; one that has no name here is of a single evaluation and counts as random.
    pub fn of(source: &Source) -> Self {
        NATURES.iter().find(|(known, _)| known == source).map_or(Self::Random, |(_, nature)| *nature)
    }
}

macro_rules! sources {
    ($($(#[$doc:meta])* $name:ident $nature:ident $text:literal;)*) => {
        $($(#[$doc])* pub const $name: Source = Source::named($text);)*
        /// Every source with its nature.
        const NATURES: &[(Source, Nature)] = &[$(($name, Nature::$nature)),*];
    };
}

/// What is by chance in one part of a test and not the same in another: see [`super::Estimate::of_part`].
pub const CHANCE: [Source; 3] = [SAMPLING, GAPS, JOINS];

/// Sources that tests of one car share. The current's zero drifts, tyres wear and are pumped up, and the display's bend acts
/// otherwise on every span: those are taken as another one in each test, which never makes a change look surer than it is.
pub const SHARED_BY_TESTS: [Source; 6] = [CURRENT_GAIN, VOLTAGE_GAIN, VOLTAGE_ZERO, POWER_GAIN, POWER_ZERO, SKEW];

sources! {
    /// The current sensor's gain.
    CURRENT_GAIN Systematic "current gain";
    /// The current sensor's zero.
    CURRENT_ZERO Systematic "current zero";
    /// The zero as it was read with the contactors open.
    ZERO_READING Random "reading of the current's zero";
    /// The voltage sensor's gain.
    VOLTAGE_GAIN Systematic "voltage gain";
    /// The voltage sensor's zero.
    VOLTAGE_ZERO Systematic "voltage zero";
    /// The gain of a power that the car itself gives.
    POWER_GAIN Systematic "power gain";
    /// The zero of a power that the car itself gives.
    POWER_ZERO Systematic "power zero";
    /// Voltage and current may belong to slightly different moments.
    SKEW Systematic "skew of voltage and current";
    /// What lies between the samples.
    SAMPLING Random "sampling";
    /// What gaps left out, beyond its estimate.
    GAPS Random "gaps";
    /// What happened between runs, beyond its estimate.
    JOINS Random "between runs";
    /// A display's readings are rounded.
    SOC_ROUNDING Systematic "rounding of the state of charge";
    /// When a tick was seen, and how the battery computer wanders.
    TICKS Random "timing of ticks";
    /// A person notes what the display shows with some delay.
    NOTED Random "moment of a note";
    /// The display is not quite a share of charge.
    BEND Systematic "bend of the display";
    /// The display wanders and corrects itself where nothing was measured.
    WANDER Random "wander of the display";
    /// The display comes late.
    LAG Systematic "lag of the display";
    /// What goes before the display leaves 100 %.
    HIDDEN Systematic "charge above the display's 100 %";
    /// The voltage where nothing was measured.
    VOLTAGE_OUTSIDE Systematic "voltage outside the span";
    /// The scale of the wheel speed.
    SPEED_SCALE Systematic "scale of the speed";
    /// The scale of the odometer.
    ODOMETER_SCALE Systematic "scale of the odometer";
    /// The odometer counts in steps.
    ODOMETER_ROUNDING Random "rounding of the odometer";
    /// The scale of the satellite receiver's speed and line.
    SATELLITE_SPEED Systematic "scale of the satellite speed";
    /// The noise of its speed and positions.
    SATELLITE_NOISE Random "noise of the satellite receiver";
    /// Where the receiver was silent, the wheels' speed counts.
    BRIDGED Random "ways without satellites";
    /// Where neither was there, a straight line counts.
    FIXES_APART Random "chords between fixes";
    /// The ratio of wheels to satellite speed, from minute to minute.
    WHEEL_RATIO Random "ratio of wheel and satellite speed";
    /// Tyres where the ratio was not seen.
    TYRE_DRIFT Random "warmth of the tyres";
    /// What the car weighs with all in it.
    MASS Systematic "mass of the car";
    /// Heights of start and end.
    HEIGHT Random "height of the ends";
    /// What the car's speed holds at the ends of held stretches.
    KINETIC Random "speed at the ends of stretches";
    /// How steadily the dial reads.
    DIAL Random "reading of the dial";
    /// The dial shows whole numbers.
    DIAL_ROUNDING Systematic "rounding of the dial";
    /// How the dial's reading rises with the speed.
    DIAL_SLOPE Systematic "slope of the dial";
    /// What the dial may show more at every speed.
    DIAL_OFFSET Systematic "offset of the dial";
    /// Distance that gaps left out, beyond its estimate.
    DISTANCE_GAPS Random "gaps of the speed";
    /// A charge's meter, by its class.
    METER Systematic "meter";
    /// What is lost between meter and pack, as the card says.
    BETWEEN Systematic "losses between meter and pack";
    /// What a dispenser's cable loses.
    CABLE Systematic "cable";
    /// What a charging car uses itself.
    OWN_DRAW Systematic "own draw";
    /// The temperature of the air.
    AIR_TEMPERATURE Random "temperature of the air";
    /// The pressure of the air.
    AIR_PRESSURE Random "pressure of the air";
    /// The humidity of the air.
    HUMIDITY Random "humidity";
    /// The wind.
    WIND Random "wind";
    /// How tyres roll by temperature.
    TYRES Systematic "tyres by temperature";
    /// How the road load parts into rolling and drag.
    ROAD_LOAD Systematic "road load";
    /// What accessories and climate took.
    ACCESSORIES Random "accessories";
    /// The heights of the road.
    ROAD_HEIGHT Systematic "height of the road";
    /// What differs from test to test of one car and is in no other source.
    BETWEEN_TESTS Random "scatter between tests";
}
