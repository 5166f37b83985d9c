//! The roles: what a decoded signal means to the job.
//!
//! Does not know which signal plays which role (the map does).

use serde::{Deserialize, Serialize};

use crate::quantity::Dimension;

/// What a decoded signal means to the job.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[repr(u8)]
#[allow(missing_docs)] // `ROLES` says what each means, once.
pub enum Role {
    Speed,
    SpeedDisplayed,
    Odometer,
    PackVoltage,
    PackCurrent,
    PackPower,
    Soc,
    SocInternal,
    CellVoltageMin,
    CellVoltageMax,
    PackTemperature,
    EnergyOutCounter,
    EnergyInCounter,
    ChargeCounter,
    DisplayedRest,
    Plug,
    Contactor,
    Ready,
    HeaterPower,
    CompressorPower,
    BatteryHeaterPower,
    AccessoryPower,
    AmbientTemperature,
    CabinTemperature,
    SupplyVoltage,
}

/// A role's written form, dimension and meaning.
#[derive(Clone, Copy, Debug)]
pub struct RoleInfo {
    /// The role.
    pub role: Role,
    /// As maps and columns write it.
    pub key: &'static str,
    /// What its signal must measure.
    pub dimension: Dimension,
    /// What it means.
    pub meaning: &'static str,
}

macro_rules! roles {
    ($($role:ident $key:literal $dimension:ident $meaning:literal;)*) => {
        /// Every role, in the order of the enum.
        pub const ROLES: &[RoleInfo] = &[
            $(RoleInfo { role: Role::$role, key: $key, dimension: Dimension::$dimension, meaning: $meaning },)*
        ];
    };
}

roles! {
    Speed "speed" Speed "speed by the wheels";
    SpeedDisplayed "speed_displayed" Speed "speed as the dial shows it";
    Odometer "odometer" Length "distance by the car's odometer";
    PackVoltage "pack_voltage" Voltage "voltage at the pack's terminals";
    PackCurrent "pack_current" Current "current out of the pack, discharge positive";
    PackPower "pack_power" Power "power out of the pack, discharge positive";
    Soc "soc" Share "state of charge as displayed";
    SocInternal "soc_internal" Share "state of charge of the whole pack as the battery computer holds it";
    CellVoltageMin "cell_voltage_min" Voltage "voltage of the lowest cell";
    CellVoltageMax "cell_voltage_max" Voltage "voltage of the highest cell";
    PackTemperature "pack_temperature" Temperature "temperature of the pack";
    EnergyOutCounter "energy_out_counter" Energy "lifetime counter of energy out of the pack";
    EnergyInCounter "energy_in_counter" Energy "lifetime counter of energy into the pack";
    ChargeCounter "charge_counter" Charge "lifetime counter of net charge out of the pack";
    DisplayedRest "displayed_rest" Length "distance that the car says it can go";
    Plug "plug" State "a charging plug is connected";
    Contactor "contactor" State "the pack's contactors are closed";
    Ready "ready" State "the car is ready to drive";
    HeaterPower "heater_power" Power "power of the cabin heater";
    CompressorPower "compressor_power" Power "power of the air-conditioning compressor";
    BatteryHeaterPower "battery_heater_power" Power "power of the pack's heater";
    AccessoryPower "accessory_power" Power "power of the low-voltage supply and other accessories";
    AmbientTemperature "ambient_temperature" Temperature "temperature outside";
    CabinTemperature "cabin_temperature" Temperature "temperature in the cabin";
    SupplyVoltage "supply_voltage" Voltage "voltage of the low-voltage supply";
}

impl Role {
    /// How many roles there are.
    pub const COUNT: usize = ROLES.len();

    /// Written form, dimension and meaning.
    pub fn info(self) -> &'static RoleInfo {
        &ROLES[self as usize]
    }

    /// The written form.
    pub fn key(self) -> &'static str {
        self.info().key
    }

    /// What its signal must measure.
    pub fn dimension(self) -> Dimension {
        self.info().dimension
    }

    /// From the written form.
    pub fn from_key(key: &str) -> Option<Self> {
        ROLES.iter().find(|info| info.key == key).map(|info| info.role)
    }

    /// Whether a map may give it once for each of several packs (`pack_current.1`, `.2`).
    pub fn per_pack(self) -> bool {
        matches!(self, Self::PackVoltage | Self::PackCurrent | Self::PackPower)
    }
}

/// A role of one pack: packs count from 0; roles that no pack owns have pack 0.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
pub struct RoleSlot {
    /// The role.
    pub role: Role,
    /// The pack, from 0.
    pub pack: u8,
}

impl RoleSlot {
    /// The most packs of one car.
    pub const PACKS_MAX: u8 = 4;

    /// As maps write it: `pack_current`, or `pack_current.2` for the second of several.
    pub fn key(self, packs: u8) -> String {
        if self.role.per_pack() && packs > 1 {
            format!("{}.{}", self.role.key(), self.pack + 1)
        } else {
            self.role.key().to_owned()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn roles_stand_in_the_order_of_the_enum() {
        for (index, info) in ROLES.iter().enumerate() {
            assert_eq!(info.role as usize, index, "{}", info.key);
            assert_eq!(Role::from_key(info.key), Some(info.role));
        }
    }
}
