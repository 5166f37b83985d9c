//! Whether the car's state allows requests: never a sleeping car, never below a set supply voltage, slowly while charging.
//!
//! Judges what it is told; whether the bus is awake, a plug is in and what the supply is are others' to find out.

use crate::quantity::Volt;
use crate::time::Span;

/// What may be asked now.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Permission {
    /// Every poll at its own period.
    Full,
    /// Every poll, none more often than this: the car is charging.
    Slow(Span),
    /// Nothing, and why.
    Denied(Why),
}

/// Why nothing may be asked.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Why {
    /// The configuration does not turn polling on.
    #[error("polling is off")]
    Off,
    /// The car sleeps.
    #[error("the car sleeps")]
    Asleep,
    /// The supply is below the set voltage.
    #[error("the supply voltage is below the set limit")]
    SupplyLow,
}

/// What the configuration says about polling. The default is off.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct PollingRules {
    /// Whether polling is on at all.
    pub on: bool,
    /// Below this supply voltage nothing is asked; `None` for no limit.
    pub supply_min: Option<Volt>,
    /// The period of polls while charging, where they are allowed then; `None`: a charging car that sleeps is left alone.
    pub charging_period: Option<Span>,
}

/// What is known of the car at this moment.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct CarState {
    /// Whether unsolicited frames (or what stands in for them behind a gateway) say that it is awake.
    pub awake: bool,
    /// Whether it is charging.
    pub charging: bool,
    /// The supply voltage; `None` where nothing measures it.
    pub supply: Option<Volt>,
}

impl Permission {
    /// What may be asked of a car in this state.
    pub fn judge(rules: &PollingRules, car: &CarState) -> Self {
        let low = match (rules.supply_min, car.supply) {
            // A voltage that is no number is no proof of a sound supply.
            (Some(least), Some(supply)) => supply.0.is_nan() || supply < least,
            _ => false,
        };
        match (rules.on, rules.charging_period) {
            (false, _) => Self::Denied(Why::Off),
            (true, Some(period)) if car.charging => Self::Slow(period),
            (true, _) if !car.awake => Self::Denied(Why::Asleep),
            (true, _) if low => Self::Denied(Why::SupplyLow),
            (true, _) => Self::Full,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SLOW: Span = Span::of_seconds(300);

    #[test]
    fn a_sleeping_car_is_left_alone() {
        let rules = |on, charging_period| PollingRules { on, supply_min: Some(Volt(12.2)), charging_period };
        let car = |awake, charging, volt| CarState { awake, charging, supply: Some(Volt(volt)) };
        let cases = [
            (rules(false, Some(SLOW)), car(true, true, 14.0), Permission::Denied(Why::Off)),
            (rules(true, None), car(true, false, 14.0), Permission::Full),
            (rules(true, None), car(false, false, 14.0), Permission::Denied(Why::Asleep)),
            (rules(true, None), car(true, false, 12.1), Permission::Denied(Why::SupplyLow)),
            (rules(true, None), car(true, false, f64::NAN), Permission::Denied(Why::SupplyLow)),
            (rules(true, None), car(false, true, 14.0), Permission::Denied(Why::Asleep)),
            (rules(true, Some(SLOW)), car(false, false, 14.0), Permission::Denied(Why::Asleep)),
            (rules(true, Some(SLOW)), car(false, true, 12.0), Permission::Slow(SLOW)),
            (rules(true, Some(SLOW)), car(true, true, 14.0), Permission::Slow(SLOW)),
        ];
        for (rules, car, expected) in cases {
            assert_eq!(Permission::judge(&rules, &car), expected, "{rules:?} {car:?}");
        }
        assert_eq!(Permission::judge(&PollingRules::default(), &car(true, false, 14.0)), Permission::Denied(Why::Off));
    }
}
