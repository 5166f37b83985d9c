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
    /// The display wanders and corrects itself where nothing was measured.
    WANDER "wander of the display";
    /// What goes before the display leaves 100 %.
    HIDDEN "charge above the display's 100 %";
    /// The voltage where nothing was measured.
    VOLTAGE_OUTSIDE "voltage outside the span";
    /// The scale of the wheel speed.
    SPEED_SCALE "scale of the speed";
    /// The scale of the odometer.
    ODOMETER_SCALE "scale of the odometer";
    /// The odometer counts in steps.
    ODOMETER_ROUNDING "rounding of the odometer";
    /// Scale and noise of the line through the fixes.
    FIXES_SCALE "line through the fixes";
    /// Distance that gaps left out, beyond its estimate.
    DISTANCE_GAPS "gaps of the speed";
}
