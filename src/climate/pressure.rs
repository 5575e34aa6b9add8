//! Air pressure at a height, and where water boils and ice melts there.
//!
//! In: altitude in metres, or the station pressure in Pa (what a barometer on the spot shows). Out:
//! pressure in Pa, temperatures in °C. Left out: the weather. The pressure of a height is its long-run
//! mean; a station pressure is the better figure. A forecast's pressure is reduced to sea level and is
//! neither: [`looks_like_sea_level`] knows it where the height is known.

use super::humidity::saturation_vapour_pressure_water_pa;

/// Melting ice in air-saturated water at ordinary pressure, °C (the triple point lies at 0.01 °C, ITS-90,
/// from memory; pressure moves the ice point by under 0.003 °C up to 3,000 m).
pub const ICE_POINT_C: f64 = 0.0;
/// How far the weather moves the pressure from its mean on all but stormy days, Pa (common practice, no source).
pub const WEATHER_PA: f64 = 1_500.0;
/// Altitudes accepted, m: from the lowest dry land to the highest towns.
pub const ALTITUDE_M: std::ops::RangeInclusive<f64> = -430.0..=5_200.0;
/// Station pressures accepted, Pa: what [`ALTITUDE_M`] and any weather can give.
pub const STATION_PA: std::ops::RangeInclusive<f64> = 48_000.0..=110_000.0;

/// Mean air pressure at an altitude, Pa: 101.3 ((293 - 0.0065 z) / 293)^5.26 kPa.
///
/// `altitude_m` within [`ALTITUDE_M`]; `None` outside. Source: R. G. Allen and others, FAO Irrigation and
/// Drainage Paper 56 (1998), equation 7: a standard atmosphere at 20 °C. On a given day the air may lie
/// [`WEATHER_PA`] beside it.
pub fn pressure_at_altitude_pa(altitude_m: f64) -> Option<f64> {
    ALTITUDE_M.contains(&altitude_m).then(|| 101_300.0 * ((293.0 - 0.0065 * altitude_m) / 293.0).powf(5.26))
}

/// The temperature at which pure water boils, °C.
///
/// `pressure_pa` within [`STATION_PA`] (the air's own pressure on the spot); `None` outside. Inverts
/// [`saturation_vapour_pressure_water_pa`] by bisection to 1e-6 °C; within 0.001 °C of IAPWS-95.
pub fn boiling_point_c(pressure_pa: f64) -> Option<f64> {
    if !STATION_PA.contains(&pressure_pa) {
        return None;
    }
    let (mut low, mut high) = (70.0, 110.0);
    while high - low > 1e-6 {
        let middle = f64::midpoint(low, high);
        if saturation_vapour_pressure_water_pa(middle)? > pressure_pa {
            high = middle;
        } else {
            low = middle;
        }
    }
    Some(f64::midpoint(low, high))
}

/// Whether `station_pa` is rather a forecast's figure, reduced to sea level, than the air's own pressure
/// at `altitude_m`: it lies over what the altitude gives by more than stormless weather explains, and
/// nearer to sea level's. Under some 300 m the two cannot be told apart and this is false.
pub fn looks_like_sea_level(station_pa: f64, altitude_m: f64) -> bool {
    let Some(expected) = pressure_at_altitude_pa(altitude_m) else { return false };
    let over = station_pa - expected;
    over > 2.0 * WEATHER_PA && over > (101_325.0 - station_pa).abs()
}
