//! Moist air: saturation vapour pressure, dew point, vapour-pressure deficit, absolute humidity, wet bulb.
//!
//! In: air temperature (°C), relative humidity (%, over water at every temperature, as weather
//! services and humidity probes have it), air pressure (Pa) where it matters. Out: one figure with
//! its unit in the function's name, or `None` for input that is not finite, out of range or without
//! a meaning. Left out: the enhancement factor of real moist air (at most 0.5 % at sea level).
//!
//! Humidity may read up to [`HUMIDITY_READING_MAX_PCT`], as wet elements do; what is over 100 counts as 100.

/// The coldest air the formulas here accept, °C.
pub const TEMPERATURE_MIN_C: f64 = -100.0;
/// The hottest air the formulas here accept, °C.
pub const TEMPERATURE_MAX_C: f64 = 150.0;
/// The highest humidity reading that is taken (as 100 %); above it the reading has no meaning.
pub const HUMIDITY_READING_MAX_PCT: f64 = 105.0;

const KELVIN: f64 = 273.15;
/// Temperature and pressure of water's triple point (IAPWS R14-08).
const TRIPLE_POINT_K: f64 = 273.16;
const TRIPLE_POINT_PA: f64 = 611.657;
/// Specific gas constant of water vapour, J/(kg K): 8.314462618 / 0.018015268.
const VAPOUR_GAS_CONSTANT: f64 = 461.523;
/// Molar mass of water over that of dry air (ASHRAE Handbook of Fundamentals 2017, chapter 1).
const MASS_RATIO: f64 = 0.621_945;
/// Steps allowed to the dew point search; it needs about five.
const DEW_STEPS_MAX: usize = 50;

/// Saturation vapour pressure over liquid water, Pa.
///
/// `t_c` in °C, -100..=150; below 0.01 °C over supercooled water. Within 0.01 % of IAPWS-95 from the
/// triple point to 100 °C. Sources: W. Wagner, A. Pruss, J. Phys. Chem. Ref. Data 22 (1993) 783,
/// equation 1 (IAPWS SR1-86) from 0.01 °C up; D. M. Murphy, T. Koop, Q. J. R. Meteorol. Soc. 131
/// (2005) 1539, equation 10, below. The two meet within 0.05 parts in a million.
pub fn saturation_vapour_pressure_water_pa(t_c: f64) -> Option<f64> {
    if !(TEMPERATURE_MIN_C..=TEMPERATURE_MAX_C).contains(&t_c) {
        return None;
    }
    let kelvin = t_c + KELVIN;
    Some(if kelvin >= TRIPLE_POINT_K { wagner_pruss_pa(kelvin) } else { murphy_koop_water_pa(kelvin) })
}

fn wagner_pruss_pa(kelvin: f64) -> f64 {
    const CRITICAL_K: f64 = 647.096;
    const CRITICAL_PA: f64 = 22.064e6;
    let tau = 1.0 - kelvin / CRITICAL_K;
    let root = tau.sqrt();
    let cube = tau * tau * tau;
    let sum = -7.859_517_83 * tau + 1.844_082_59 * tau * root - 11.786_649_7 * cube + 22.680_741_1 * cube * root
        - 15.961_871_9 * cube * tau
        + 1.801_225_02 * cube * cube * tau * root;
    CRITICAL_PA * (CRITICAL_K / kelvin * sum).exp()
}

fn murphy_koop_water_pa(kelvin: f64) -> f64 {
    let log = kelvin.ln();
    let wide = 54.842_763 - 6763.22 / kelvin - 4.210 * log + 0.000_367 * kelvin;
    let cold = 53.878 - 1331.22 / kelvin - 9.445_23 * log + 0.014_025 * kelvin;
    (wide + (0.0415 * (kelvin - 218.8)).tanh() * cold).exp()
}

/// Saturation vapour pressure over ice, Pa.
///
/// `t_c` in °C, -100..=0.01; `None` above, where there is no ice. Source: IAPWS R14-08 (2011),
/// equation 6, the sublimation pressure; its uncertainty there is under 0.1 %.
pub fn saturation_vapour_pressure_ice_pa(t_c: f64) -> Option<f64> {
    let triple_c = TRIPLE_POINT_K - KELVIN;
    // A reading of exactly 0.01 °C must not fall out through the rounding of 273.16 - 273.15.
    if !(TEMPERATURE_MIN_C..=triple_c.max(0.01)).contains(&t_c) {
        return None;
    }
    let theta = (t_c + KELVIN) / TRIPLE_POINT_K;
    let sum = -21.214_400_6 * theta.powf(0.003_333_333_33) + 27.320_381_9 * theta.powf(1.206_666_67)
        - 6.105_981_30 * theta.powf(1.703_333_33);
    Some(TRIPLE_POINT_PA * (sum / theta).exp())
}

/// A humidity reading in percent as a fraction, 0..=1; `None` outside 0..=105 %.
fn humidity_fraction(rh_pct: f64) -> Option<f64> {
    (0.0..=HUMIDITY_READING_MAX_PCT).contains(&rh_pct).then(|| rh_pct.min(100.0) / 100.0)
}

/// Vapour pressure of the air, Pa: the saturation pressure over water times the relative humidity.
///
/// `t_c` in °C, -100..=150; `rh_pct` in 0..=105 % (over 100 counts as 100).
pub fn vapour_pressure_pa(t_c: f64, rh_pct: f64) -> Option<f64> {
    Some(saturation_vapour_pressure_water_pa(t_c)? * humidity_fraction(rh_pct)?)
}

/// Dew point over water, °C, also where it lies below 0 °C (where it is under the frost point).
///
/// `t_c` in °C, -100..=150; `rh_pct` over 0 and up to 105 % (over 100 counts as 100). `None` at 0 %,
/// where there is no dew point, and where it would lie under -100 °C. Inverts
/// [`saturation_vapour_pressure_water_pa`] by Newton's method to 1e-6 °C.
pub fn dew_point_c(t_c: f64, rh_pct: f64) -> Option<f64> {
    let wanted = vapour_pressure_pa(t_c, rh_pct)?;
    if wanted < saturation_vapour_pressure_water_pa(TEMPERATURE_MIN_C)? {
        return None;
    }
    let mut dew = t_c;
    for _ in 0..DEW_STEPS_MAX {
        let miss = (saturation_vapour_pressure_water_pa(dew)? / wanted).ln();
        let kelvin = dew + KELVIN;
        // Clausius and Clapeyron give the slope of ln(e) well enough for Newton to settle; the latent
        // heat's fall with temperature is a common linear fit (from memory) and does not limit accuracy.
        let latent = 2.501e6 - 2_361.0 * dew;
        let next = (dew - miss * VAPOUR_GAS_CONSTANT * kelvin * kelvin / latent).clamp(TEMPERATURE_MIN_C, t_c);
        if (next - dew).abs() < 1e-6 {
            return Some(next);
        }
        dew = next;
    }
    None
}

/// Vapour-pressure deficit over water, kPa: how strongly the air draws water; 0 when saturated.
///
/// `t_c` in °C, -100..=150; `rh_pct` in 0..=105 % (over 100 counts as 100).
pub fn vpd_kpa(t_c: f64, rh_pct: f64) -> Option<f64> {
    Some(saturation_vapour_pressure_water_pa(t_c)? * (1.0 - humidity_fraction(rh_pct)?) / 1000.0)
}

/// Absolute humidity, grams of vapour in a cubic metre of air, from the ideal gas law.
///
/// `t_c` in °C, -100..=150; `rh_pct` in 0..=105 % (over 100 counts as 100).
pub fn absolute_humidity_g_m3(t_c: f64, rh_pct: f64) -> Option<f64> {
    Some(vapour_pressure_pa(t_c, rh_pct)? / (VAPOUR_GAS_CONSTANT * (t_c + KELVIN)) * 1000.0)
}

/// Humidity ratio, kilograms of vapour to a kilogram of dry air, of ideal gases.
///
/// `t_c` in °C, -100..=150; `rh_pct` in 0..=105 %; `pressure_pa` of the air, 30,000..=120,000 Pa;
/// `None` where the vapour alone would reach that pressure.
pub fn humidity_ratio_kg_kg(t_c: f64, rh_pct: f64, pressure_pa: f64) -> Option<f64> {
    mixing_ratio(vapour_pressure_pa(t_c, rh_pct)?, pressure_pa)
}

fn mixing_ratio(vapour_pa: f64, pressure_pa: f64) -> Option<f64> {
    let sensible = (30_000.0..=120_000.0).contains(&pressure_pa) && vapour_pa < pressure_pa;
    sensible.then(|| MASS_RATIO * vapour_pa / (pressure_pa - vapour_pa))
}

/// Thermodynamic wet-bulb temperature, °C; under 0 °C that of an iced bulb.
///
/// `t_c` in °C, -100..=150; `rh_pct` in 0..=105 %; `pressure_pa` of the air, 30,000..=120,000 Pa;
/// `None` at or above boiling. The heat balance is that of the ASHRAE Handbook of Fundamentals 2017,
/// chapter 1, equations 33 and 35, solved by bisection to 1e-6 °C. Where air near 0 °C would allow
/// both a wet and an iced bulb, the wet one is given.
pub fn wet_bulb_c(t_c: f64, rh_pct: f64, pressure_pa: f64) -> Option<f64> {
    let wanted = humidity_ratio_kg_kg(t_c, rh_pct, pressure_pa)?;
    if t_c >= 0.0 && bulb_ratio(t_c, 0.0, false, pressure_pa)? <= wanted {
        return bisect_bulb(t_c, (0.0, t_c), false, pressure_pa, wanted);
    }
    if t_c < 0.0 && bulb_ratio(t_c, t_c, true, pressure_pa)? <= wanted {
        return Some(t_c); // air between ice and water saturation would grow frost on the bulb
    }
    bisect_bulb(t_c, (TEMPERATURE_MIN_C, t_c.min(0.0)), true, pressure_pa, wanted)
}

/// The humidity ratio of air at `t_c` whose bulb stands at `bulb_c`, kg/kg; negative where no air is so dry.
fn bulb_ratio(t_c: f64, bulb_c: f64, iced: bool, pressure_pa: f64) -> Option<f64> {
    let saturation_pa =
        if iced { saturation_vapour_pressure_ice_pa(bulb_c) } else { saturation_vapour_pressure_water_pa(bulb_c) }?;
    // A bulb near boiling holds more than any air here: the search must go lower.
    let Some(saturated) = mixing_ratio(saturation_pa, pressure_pa) else { return Some(f64::INFINITY) };
    let (latent, fall, heat) = if iced { (2830.0, 0.24, 2.1) } else { (2501.0, 2.326, 4.186) };
    Some(((latent - fall * bulb_c) * saturated - 1.006 * (t_c - bulb_c)) / (latent + 1.86 * t_c - heat * bulb_c))
}

/// The bulb between the two temperatures at which the balance gives `wanted`.
fn bisect_bulb(t_c: f64, between_c: (f64, f64), iced: bool, pressure_pa: f64, wanted: f64) -> Option<f64> {
    let (mut low, mut high) = between_c;
    while high - low > 1e-6 {
        let middle = f64::midpoint(low, high);
        if bulb_ratio(t_c, middle, iced, pressure_pa)? > wanted {
            high = middle;
        } else {
            low = middle;
        }
    }
    Some(f64::midpoint(low, high))
}
