//! The air: its density by CIPM-2007, and its pressure from that reduced to sea level.
//!
//! Reads no card; knows no road load.

use crate::quantity::KELVIN_AT_0_DEGC;

/// Standard lapse rate of the lower atmosphere, K/m, and its standard sea-level temperature, K, and pressure, Pa (ISO 2533,
/// from memory).
const LAPSE: f64 = 0.0065;
const SEA_LEVEL_K: f64 = 288.15;
const SEA_LEVEL_PA: f64 = 101_325.0;
/// g M / (R LAPSE) of that atmosphere.
const EXPONENT: f64 = 5.255_88;

/// Density of moist air, kg/m³, from its temperature (degC), pressure (Pa) and relative humidity (0 to 1).
///
/// CIPM-2007: Picard, Davis, Gläser, Fujii, "Revised formula for the density of moist air (CIPM-2007)", Metrologia 45
/// (2008) 149; coefficients from memory, with 400 umol/mol of carbon dioxide. Meant for 15 to 27 degC and 600 to 1100 hPa;
/// outside it is held to the ideal gas within 1e-3, which is far below what drag areas are known to.
pub fn density(degc: f64, pascal: f64, humidity: f64) -> f64 {
    const R: f64 = 8.314_472;
    const DRY_MOLAR_MASS: f64 = 28.965_46e-3;
    let kelvin = degc + KELVIN_AT_0_DEGC;
    let vapour = humidity * enhancement(degc, pascal) * saturation_pressure(degc) / pascal;
    let z = compressibility(degc, pascal, vapour);
    pascal * DRY_MOLAR_MASS / (z * R * kelvin) * (1.0 - 0.3780 * vapour)
}

/// Saturation pressure of water vapour over water, Pa.
pub fn saturation_pressure(degc: f64) -> f64 {
    let kelvin = degc + KELVIN_AT_0_DEGC;
    (1.237_884_7e-5 * kelvin * kelvin - 1.912_131_6e-2 * kelvin + 33.937_110_47 - 6.343_164_5e3 / kelvin).exp()
}

fn enhancement(degc: f64, pascal: f64) -> f64 {
    1.000_62 + 3.14e-8 * pascal + 5.6e-7 * degc * degc
}

fn compressibility(degc: f64, pascal: f64, vapour: f64) -> f64 {
    let per_kelvin = pascal / (degc + KELVIN_AT_0_DEGC);
    let first = 1.581_23e-6 - 2.9331e-8 * degc + 1.1043e-10 * degc * degc;
    let second = (5.707e-6 - 2.051e-8 * degc) * vapour;
    let third = (1.9898e-4 - 2.376e-6 * degc) * vapour * vapour;
    1.0 - per_kelvin * (first + second + third) + per_kelvin * per_kelvin * (1.83e-11 - 0.765e-8 * vapour * vapour)
}

/// Pressure at a height (m), Pa, from the pressure reduced to sea level and the temperature (degC) at the place.
///
/// The usual reduction with the standard lapse rate (World Meteorological Organization, from memory).
pub fn at_height(sea_level_pa: f64, height: f64, degc: f64) -> f64 {
    let below = LAPSE * height;
    sea_level_pa * (1.0 - below / (degc + KELVIN_AT_0_DEGC + below)).powf(EXPONENT)
}

/// Pressure of the standard atmosphere at a height (m), Pa.
pub fn standard(height: f64) -> f64 {
    SEA_LEVEL_PA * (1.0 - LAPSE * height / SEA_LEVEL_K).powf(EXPONENT)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn density_by_cipm_2007() {
        // Computed apart from the paper's coefficients (from memory there as here), stated to 1e-4; the ideal moist gas
        // (R 287.058, 461.495 J/kg K) beside them is an independent check to 1e-3.
        let rows = [
            (15.0, 101_325.0, 0.0, 1.225_52, 1.224_98),
            (20.0, 101_325.0, 0.0, 1.204_56, 1.204_08),
            (20.0, 101_325.0, 0.5, 1.199_31, 1.198_83),
            (20.0, 100_000.0, 0.0, 1.188_80, 1.188_34),
            (25.0, 101_325.0, 0.5, 1.177_32, 1.176_89),
            (35.0, 101_325.0, 0.9, 1.124_22, 1.123_83),
            (-10.0, 101_325.0, 0.5, 1.341_66, 1.340_64),
            (0.0, 101_325.0, 0.0, 1.293_05, 1.292_25),
            (20.0, 85_000.0, 0.5, 1.005_18, 1.004_83),
        ];
        for (degc, pascal, humidity, cipm, ideal) in rows {
            let ours = density(degc, pascal, humidity);
            assert!((ours / cipm - 1.0).abs() < 1e-4, "{degc} {pascal} {humidity}: {ours} {cipm}");
            assert!((ours / ideal - 1.0).abs() < 1e-3, "{degc} {pascal} {humidity}: {ours} {ideal}");
        }
        // WLTP's reference density of dry air at 20 degC and 100 kPa is 1.189 kg/m³ (UN GTR No. 15, from memory); that of
        // SAE J1263, 20 degC and 98.21 kPa, some 1.167.
        assert!((density(20.0, 100_000.0, 0.0) - 1.189).abs() < 5e-4);
        assert!((density(20.0, 98_210.0, 0.0) - 1.167).abs() < 1e-3);
    }

    #[test]
    fn water_vapour() {
        // 40 CFR 1065.645 (another formula, Goff's): 2.3371 kPa over water at 20 degC; 925.717 Pa at 39.61 %.
        assert!((saturation_pressure(20.0) / 2_337.08 - 1.0).abs() < 1e-3, "{}", saturation_pressure(20.0));
        assert!((0.3961 * saturation_pressure(20.0) / 925.717 - 1.0).abs() < 1e-3);
    }

    #[test]
    fn pressure_falls_with_height() {
        // ISO 2533: density 1.111660 kg/m³ at 1000 m, 0.909254 at 3000 m, with the ideal gas, R 287.053. Those are heights, ours
        // geopotential ones: 5e-4 apart at 3000 m, which is 2e-4 of the pressure.
        assert!((standard(1_000.0) / (1.111_660 * 287.052_87 * 281.65) - 1.0).abs() < 2e-4, "{}", standard(1_000.0));
        assert!((standard(3_000.0) / (0.909_254 * 287.052_87 * 268.65) - 1.0).abs() < 4e-4);
        // In the standard atmosphere the reduction gives the standard pressure back.
        assert!((at_height(101_325.0, 1_000.0, 8.5) / standard(1_000.0) - 1.0).abs() < 1e-9);
        assert_eq!(at_height(101_600.0, 0.0, 20.0), 101_600.0);
    }
}
