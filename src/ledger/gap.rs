//! Gaps: from when to when a pack's power or the speed was unobserved, and what was known at either side.
//!
//! Nothing is estimated here; reduce does, from what these hold.

use serde::{Deserialize, Serialize};

use crate::schema::role::{Role, RoleSlot};
use crate::time::{RunTime, Span};

/// The most gaps that are listed; more are only counted.
pub const GAPS_MAX: usize = 10_000;
/// How long after a gap a value that was not there at once may still come, to stand at its far side.
const AFTER: Span = Span::of_seconds(10);

/// What was unobserved.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum GapOf {
    /// A pack, by number from 0: any signal that its power needs.
    Pack(u8),
    /// The speed, so the distance.
    Speed,
}

/// What was known at one side of a gap, in base units; `None` where it was unknown or stale.
///
/// Before: the latest samples at the gap's first moment. After: the same at its end, and what was not there yet is
/// taken from the first sample within 10 s after it.
#[derive(Clone, Copy, PartialEq, Default, Debug, Serialize, Deserialize)]
pub struct GapSide {
    /// The pack's voltage (of a gap in speed: the first pack's), V.
    pub voltage: Option<f64>,
    /// The pack's current, A.
    pub current: Option<f64>,
    /// The pack's power as sent, else voltage times current, W.
    pub power: Option<f64>,
    /// Speed, m/s.
    pub speed: Option<f64>,
    /// Odometer, m.
    pub odometer: Option<f64>,
    /// State of charge as displayed, percent.
    pub soc: Option<f64>,
    /// State of charge as the battery computer holds it, percent.
    pub soc_internal: Option<f64>,
    /// Lifetime counter of energy out, J.
    pub energy_out_counter: Option<f64>,
    /// Lifetime counter of energy in, J.
    pub energy_in_counter: Option<f64>,
    /// Lifetime counter of net charge out, C.
    pub charge_counter: Option<f64>,
}

impl GapSide {
    /// The field of a role, if it has one.
    pub fn field(&mut self, role: Role) -> Option<&mut Option<f64>> {
        Some(match role {
            Role::PackVoltage => &mut self.voltage,
            Role::PackCurrent => &mut self.current,
            Role::PackPower => &mut self.power,
            Role::Speed => &mut self.speed,
            Role::Odometer => &mut self.odometer,
            Role::Soc => &mut self.soc,
            Role::SocInternal => &mut self.soc_internal,
            Role::EnergyOutCounter => &mut self.energy_out_counter,
            Role::EnergyInCounter => &mut self.energy_in_counter,
            Role::ChargeCounter => &mut self.charge_counter,
            _ => return None,
        })
    }
}

/// A stretch of unobserved time.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Gap {
    /// What was unobserved.
    pub what: GapOf,
    /// Its first moment: the last sample before it, or the run's start.
    pub from: RunTime,
    /// Its end: the next sample that an observed stretch follows, or the run's end.
    pub to: RunTime,
    /// What was known before it; nothing where the run starts with it.
    pub before: GapSide,
    /// What was known after it; `None` where the run ends with it.
    pub after: Option<GapSide>,
}

/// The gaps so far.
#[derive(Clone, Default, Debug, Serialize, Deserialize)]
pub struct Gaps {
    /// In the order in which they ended.
    pub list: Vec<Gap>,
    /// How many more there were than are listed.
    pub unlisted: u64,
    open: Vec<Gap>,
    /// Those of the list whose far side may still be completed.
    completing: Vec<usize>,
}

impl Gaps {
    /// Something is unobserved from `at` on.
    pub fn begin(&mut self, what: GapOf, at: RunTime, before: GapSide) {
        self.open.push(Gap { what, from: at, to: at, before, after: None });
    }

    /// It is observed again.
    pub fn end(&mut self, what: GapOf, at: RunTime, after: Option<GapSide>) {
        let Some(place) = self.open.iter().position(|gap| gap.what == what) else { return };
        let mut gap = self.open.remove(place);
        if gap.from == at {
            return;
        }
        (gap.to, gap.after) = (at, after);
        if self.list.len() >= GAPS_MAX {
            self.unlisted += 1;
            return;
        }
        if gap.after.is_some() {
            self.completing.push(self.list.len());
        }
        self.list.push(gap);
    }

    /// Every gap ends with the run.
    pub fn end_all(&mut self, at: RunTime) {
        while let Some(what) = self.open.first().map(|gap| gap.what) {
            self.end(what, at, None);
        }
        self.completing.clear();
    }

    /// Whether a sample may complete a gap's far side.
    #[inline]
    pub fn completing(&self) -> bool {
        !self.completing.is_empty()
    }

    /// A sample: it completes the far side of the gaps that ended within the last 10 s and lack it.
    pub fn complete(&mut self, slot: RoleSlot, at: RunTime, value: f64) {
        let list = &mut self.list;
        self.completing.retain(|index| {
            let Some(gap) = list.get_mut(*index).filter(|gap| at - gap.to <= AFTER) else { return false };
            let pack = if let GapOf::Pack(pack) = gap.what { pack } else { 0 };
            if (slot.pack == pack || !slot.role.per_pack())
                && let Some(field) = gap.after.as_mut().and_then(|side| side.field(slot.role))
            {
                field.get_or_insert(value);
            }
            true
        });
    }
}
