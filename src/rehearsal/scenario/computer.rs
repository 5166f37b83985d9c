//! The battery computer as the scenario writes it.
//!
//! Counts nothing.

use serde::Deserialize;

use super::Curve;

/// The battery computer: counts charge, hides the ends of the pack, bends, filters and rounds what it displays.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Computer {
    /// How often it counts and displays.
    pub cycle_s: f64,
    /// Its counted charge exceeds the true by this share.
    #[serde(default)]
    pub counting_gain: f64,
    /// True state of charge at which it displays 100 %.
    pub displayed_top_percent: f64,
    /// True state of charge at which it displays 0 %: the reserve begins.
    pub displayed_bottom_percent: f64,
    /// Bend `g(x) = 4 x (1 - x) (bend[0] + bend[1] (1 - 2 x))` added to the display, in per cent.
    #[serde(default)]
    pub bend_percent: [f64; 2],
    /// A bend of any other shape on top: what is added [%] over the displayed charge [%].
    pub bend_curve: Option<Curve>,
    /// How the display holds 100 % at the top, if it does.
    pub plateau: Option<Plateau>,
    /// Corrections of the display.
    #[serde(default)]
    pub jump: Vec<Jump>,
    /// Standard deviation of the display's random walk over a whole charge, in per cent.
    #[serde(default)]
    pub wander_percent: f64,
    /// Time constant of the display.
    #[serde(default)]
    pub filter_s: f64,
    /// Step of the display.
    pub step_percent: f64,
    /// How it rounds to the step.
    #[serde(default)]
    pub rounding: Rounding,
    /// Energy that it takes for 100 % when it tells the distance it can go.
    pub assumed_energy_kwh: f64,
    /// Energy per distance that it assumes at first.
    pub assumed_wh_per_km: f64,
    /// Distance over which it forgets that.
    #[serde(default = "Computer::default_memory_km")]
    pub memory_km: f64,
    /// Its lifetime counter of energy out at the start.
    #[serde(default)]
    pub lifetime_out_kwh: f64,
    /// Its lifetime counter of energy in at the start.
    #[serde(default)]
    pub lifetime_in_kwh: f64,
}

/// The display holds 100 % over the first part of the charge.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plateau {
    /// How long, in per cent of the displayed charge.
    pub percent: f64,
    /// Where it has caught up with the charge; none: never, what was drawn until then is above displayed 100 %.
    pub made_up_at_percent: Option<f64>,
}

/// A correction: once the computer's displayed charge falls below a value, it is off by so much from then on.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Jump {
    /// Where, before any correction.
    pub below_percent: f64,
    /// By how much: falls if negative.
    pub by_percent: f64,
}

/// How the display rounds.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Rounding {
    /// To the nearest step.
    #[default]
    Nearest,
    /// Down.
    Down,
    /// Up: displays 0 only at nothing.
    Up,
}

impl Computer {
    fn default_memory_km() -> f64 {
        30.0
    }
}
