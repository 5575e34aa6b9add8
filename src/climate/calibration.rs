//! Calibration: what a probe should say at a known point, and the straight line that makes it say so.
//!
//! In: a reference (a saturated-salt jar, melting ice, boiling water) with its surroundings; steady raw
//! readings at one or more of them (`steady`). Out: the known value with its uncertainty, and a gain and
//! offset with theirs. Readings must be raw: the line found replaces an earlier correction, it does not
//! come on top of one. Uncertainties are taken as one standard deviation each and combined in quadrature.
//! Left out: waiting for the readings, and writing the config.

pub use super::fixed_point::FixedPoint;
use super::pressure::{
    ALTITUDE_M, ICE_POINT_C, STATION_PA, WEATHER_PA, boiling_point_c, looks_like_sea_level, pressure_at_altitude_pa,
};
use super::quantity::Quantity;
pub use super::salt::Salt;

/// How far a barometer on the spot may be off, Pa (common practice, no source).
pub const BAROMETER_PA: f64 = 100.0;
/// How far a well stirred bath of ice or boiling water may be off, °C (common practice, no source).
pub const BATH_C: f64 = 0.1;
/// How far the probe and the salt under it may differ in a closed jar left alone, °C (common practice, no
/// source). It matters: 1 °C changes the humidity over the same salt by some 6 % of itself.
pub const JAR_C: f64 = 0.1;
/// A gain needs points at least this far apart, in °C or points of %RH (common practice, no source).
pub const SPAN_MIN: f64 = 20.0;
/// A gain outside this says the probe is faulty or was not at the reference (common practice, no source).
pub const GAIN: std::ops::RangeInclusive<f64> = 0.8..=1.25;

/// Why a calibration is refused.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[allow(missing_docs)] // the message says what each is, and its fields what they hold
pub enum CalibrationError {
    #[error(
        "a probe that reads humidity must not go into ice or boiling water, which ruins its element; use a salt jar: nacl, kcl, mgcl2 or k2so4"
    )]
    HeatForHumidity,
    #[error("a salt jar is a reference for humidity, and this probe reads none; use ice or boiling")]
    SaltWithoutHumidity,
    #[error("ice and boiling water are references for temperature, and this probe reads none")]
    HeatWithoutTemperature,
    #[error(
        "the humidity over {salt} is known from {low_c} to {high_c} °C, and the jar is at {jar_c:.1} °C; move it to a room in that range"
    )]
    JarTemperature { salt: &'static str, low_c: f64, high_c: f64, jar_c: f64 },
    #[error(
        "the humidity over a salt depends on its temperature, and no temperature of the jar is known; put a thermometer beside it"
    )]
    JarTemperatureUnknown,
    #[error(
        "water boils lower the higher you live; say --altitude, or --station-pressure from a barometer on the spot (not a forecast's, which is reduced to sea level)"
    )]
    PressureUnknown,
    #[error("an altitude of {altitude_m} m is outside {low} to {high} m; give metres above the sea")]
    Altitude { altitude_m: f64, low: f64, high: f64 },
    #[error(
        "a station pressure of {hpa} hPa is outside {low} to {high} hPa; give what a barometer on the spot shows, in hPa"
    )]
    Station { hpa: f64, low: f64, high: f64 },
    #[error(
        "{hpa} hPa looks reduced to sea level, as forecasts have it: at {altitude_m} m the air has about {expected_hpa:.0} hPa; leave --station-pressure out, or read a barometer on the spot"
    )]
    SeaLevel { hpa: f64, altitude_m: f64, expected_hpa: f64 },
    #[error("there is no reading to calibrate by")]
    NoPoints,
    #[error("a reading, reference or uncertainty is no number")]
    NotANumber,
    #[error("two points need two different readings; these are the same")]
    SameReading,
    #[error(
        "the points lie {span:.1} {unit} apart; a gain needs at least {SPAN_MIN} {unit}: use one of them alone, or a further one"
    )]
    TooClose { span: f64, unit: &'static str },
    #[error(
        "the gain would be {gain:.3}, outside 0.8 to 1.25: the probe is faulty, or was not at the reference; nothing to paste"
    )]
    Gain { gain: f64 },
    #[error(
        "the probe is off by {off:.1} {unit} at the reference, over {most} {unit}: it is faulty, or was not at the reference; nothing to paste"
    )]
    TooFar { off: f64, unit: &'static str, most: f64 },
}

/// What is known of the air pressure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Air {
    /// Metres above the sea: the mean pressure there, the weather's swing unknown.
    Altitude(f64),
    /// What a barometer on the spot shows, Pa; with the altitude in metres where that is known too.
    Station(f64, Option<f64>),
}

impl Air {
    /// The pressure with its uncertainty, Pa.
    ///
    /// # Errors
    /// An altitude or pressure out of range, or a pressure that looks reduced to sea level.
    pub fn pressure_pa(self) -> Result<FixedPoint, CalibrationError> {
        let expected = |altitude_m: f64| {
            pressure_at_altitude_pa(altitude_m).ok_or(CalibrationError::Altitude {
                altitude_m,
                low: *ALTITUDE_M.start(),
                high: *ALTITUDE_M.end(),
            })
        };
        match self {
            Air::Altitude(altitude_m) => Ok(FixedPoint { value: expected(altitude_m)?, uncertainty: WEATHER_PA }),
            Air::Station(pa, altitude_m) => {
                if !STATION_PA.contains(&pa) {
                    let (low, high) = (*STATION_PA.start() / 100.0, *STATION_PA.end() / 100.0);
                    return Err(CalibrationError::Station { hpa: pa / 100.0, low, high });
                }
                match altitude_m {
                    Some(altitude_m) if looks_like_sea_level(pa, altitude_m) => Err(CalibrationError::SeaLevel {
                        hpa: pa / 100.0,
                        altitude_m,
                        expected_hpa: expected(altitude_m)? / 100.0,
                    }),
                    _ => Ok(FixedPoint { value: pa, uncertainty: BAROMETER_PA }),
                }
            }
        }
    }
}

/// Where a probe is put to be calibrated.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reference {
    /// A jar with a saturated salt.
    Salt(Salt),
    /// A bath of melting crushed ice.
    Ice,
    /// Boiling water.
    Boiling,
}

impl Reference {
    /// The reference called `word`: `nacl` (or `table-salt`), `kcl`, `mgcl2`, `k2so4`, `licl`, `mgno32`,
    /// `ice`, `boiling`.
    pub fn from_word(word: &str) -> Option<Reference> {
        match word {
            "ice" => Some(Reference::Ice),
            "boiling" => Some(Reference::Boiling),
            "table-salt" => Some(Reference::Salt(Salt::SodiumChloride)),
            _ => Salt::ALL.into_iter().find(|salt| salt.word() == word).map(Reference::Salt),
        }
    }

    /// The word of the command.
    pub fn word(self) -> &'static str {
        match self {
            Reference::Salt(salt) => salt.word(),
            Reference::Ice => "ice",
            Reference::Boiling => "boiling",
        }
    }

    /// Which quantity is calibrated here of a probe that reads the quantities `reads`.
    ///
    /// # Errors
    /// Ice and boiling water for a probe that reads humidity, whatever else it reads; a reference of a
    /// quantity that it does not read.
    pub fn quantity_of(self, reads: &[Quantity]) -> Result<Quantity, CalibrationError> {
        let reads_it = |quantity| reads.contains(&quantity);
        match self {
            Reference::Salt(_) if reads_it(Quantity::Humidity) => Ok(Quantity::Humidity),
            Reference::Salt(_) => Err(CalibrationError::SaltWithoutHumidity),
            _ if reads_it(Quantity::Humidity) => Err(CalibrationError::HeatForHumidity),
            _ if reads_it(Quantity::Temperature) => Ok(Quantity::Temperature),
            _ => Err(CalibrationError::HeatWithoutTemperature),
        }
    }

    /// What is true at this reference, %RH or °C, with everything that makes it uncertain.
    ///
    /// `jar_c` is the temperature in the jar, needed for a salt; `air` is needed for boiling water. The
    /// uncertainty of a salt is the table's and what [`JAR_C`] makes of it, that of a bath [`BATH_C`] and
    /// what the pressure's does to the boiling point (0.03 °C per hPa).
    ///
    /// # Errors
    /// What is needed is missing or out of range.
    pub fn known(self, jar_c: Option<f64>, air: Option<Air>) -> Result<FixedPoint, CalibrationError> {
        match self {
            Reference::Salt(salt) => {
                let jar_c = jar_c.ok_or(CalibrationError::JarTemperatureUnknown)?;
                let (low_c, high_c) = (salt.from_c(), Salt::TO_C);
                let out = CalibrationError::JarTemperature { salt: salt.word(), low_c, high_c, jar_c };
                let published = salt.humidity_pct(jar_c).ok_or(out)?;
                // Clausius and Clapeyron: the saturation pressure grows by L / (R T^2) of itself per degree.
                let per_degree = 5_423.0 / (jar_c + 273.15).powi(2);
                let uneven = published.value * per_degree * JAR_C;
                Ok(FixedPoint { uncertainty: published.uncertainty.hypot(uneven), ..published })
            }
            Reference::Ice => Ok(FixedPoint { value: ICE_POINT_C, uncertainty: BATH_C }),
            Reference::Boiling => {
                let pressure = air.ok_or(CalibrationError::PressureUnknown)?.pressure_pa()?;
                let at = |pa: f64| boiling_point_c(pa.clamp(*STATION_PA.start(), *STATION_PA.end()));
                let missing = CalibrationError::PressureUnknown;
                let value = at(pressure.value).ok_or(missing)?;
                let swing = at(pressure.value + pressure.uncertainty).ok_or(missing)? - value;
                Ok(FixedPoint { value, uncertainty: swing.abs().hypot(BATH_C) })
            }
        }
    }
}

/// One steady raw reading at one reference.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Raw, in the quantity's unit.
    pub reading: f64,
    /// Its standard uncertainty (spread and resolution; `steady::Settled` has it).
    pub reading_uncertainty: f64,
    /// What is true there.
    pub reference: FixedPoint,
}

/// The correction found: corrected = gain × raw + offset, with its uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fit {
    /// 1 of a single point.
    pub gain: f64,
    /// In the quantity's unit.
    pub offset: f64,
    /// Standard uncertainty of the gain; 0 of a single point, which says nothing about it.
    pub gain_uncertainty: f64,
    /// Standard uncertainty of the offset, in the quantity's unit.
    pub offset_uncertainty: f64,
    /// How many points it is of.
    pub points: usize,
    covariance: f64,
    span: f64,
    farthest_off: f64,
}

impl Fit {
    /// Offset only of one point; the straight line of least squares (each point counting the same) of two
    /// or more, which goes through both of two.
    ///
    /// The uncertainty is that of readings and references carried through the fit; of three and more points
    /// each counts at least as uncertain as the points scatter about the line.
    ///
    /// # Errors
    /// No points, what is no number, or several points without two different readings.
    pub fn of(points: &[Point]) -> Result<Fit, CalibrationError> {
        let numbers = |point: &Point| {
            let FixedPoint { value, uncertainty } = point.reference;
            [point.reading, point.reading_uncertainty, value, uncertainty].iter().all(|number| number.is_finite())
        };
        if !points.iter().all(numbers) {
            return Err(CalibrationError::NotANumber);
        }
        let n = points.len() as f64;
        let farthest_off = points.iter().map(|point| (point.reference.value - point.reading).abs()).fold(0.0, f64::max);
        match points {
            [] => Err(CalibrationError::NoPoints),
            [only] => Ok(Fit {
                gain: 1.0,
                offset: only.reference.value - only.reading,
                gain_uncertainty: 0.0,
                offset_uncertainty: only.reference.uncertainty.hypot(only.reading_uncertainty),
                points: 1,
                covariance: 0.0,
                span: 0.0,
                farthest_off,
            }),
            _ => {
                let mean_x = points.iter().map(|point| point.reading).sum::<f64>() / n;
                let mean_y = points.iter().map(|point| point.reference.value).sum::<f64>() / n;
                let sxx: f64 = points.iter().map(|point| (point.reading - mean_x).powi(2)).sum();
                if sxx <= 0.0 {
                    return Err(CalibrationError::SameReading);
                }
                let sxy: f64 =
                    points.iter().map(|point| (point.reading - mean_x) * (point.reference.value - mean_y)).sum();
                let gain = sxy / sxx;
                let fit = Fit {
                    gain,
                    offset: mean_y - gain * mean_x,
                    gain_uncertainty: 0.0,
                    offset_uncertainty: 0.0,
                    points: points.len(),
                    covariance: 0.0,
                    span: span(points),
                    farthest_off,
                };
                Ok(fit.with_uncertainty(points, mean_x, sxx))
            }
        }
    }

    /// Carries the points' uncertainties through the line: gain and offset are sums over the references,
    /// each with its own weight.
    fn with_uncertainty(mut self, points: &[Point], mean_x: f64, sxx: f64) -> Fit {
        let n = points.len() as f64;
        let scatter: f64 = points.iter().map(|point| (self.apply(point.reading) - point.reference.value).powi(2)).sum();
        let scatter = if points.len() > 2 { scatter / (n - 2.0) } else { 0.0 };
        let (mut of_gain, mut of_offset) = (0.0, 0.0);
        for point in points {
            let own = point.reference.uncertainty.powi(2) + (self.gain * point.reading_uncertainty).powi(2);
            let variance = own.max(scatter);
            let gain_weight = (point.reading - mean_x) / sxx;
            let offset_weight = 1.0 / n - mean_x * gain_weight;
            of_gain += gain_weight * gain_weight * variance;
            of_offset += offset_weight * offset_weight * variance;
            self.covariance += gain_weight * offset_weight * variance;
        }
        (self.gain_uncertainty, self.offset_uncertainty) = (of_gain.sqrt(), of_offset.sqrt());
        self
    }

    /// A raw reading corrected.
    pub fn apply(&self, raw: f64) -> f64 {
        self.gain * raw + self.offset
    }

    /// Standard uncertainty of a corrected value whose raw reading is `raw`, in the quantity's unit: least
    /// between the points, growing outside them. Of a single point it holds near that point only.
    pub fn uncertainty_at(&self, raw: f64) -> f64 {
        let variance =
            self.offset_uncertainty.powi(2) + 2.0 * raw * self.covariance + (raw * self.gain_uncertainty).powi(2);
        variance.max(0.0).sqrt()
    }

    /// Whether the correction is one to use: points far enough apart for a gain, a gain near 1, and a probe
    /// not further off at any reference than 15 points of humidity or 5 °C (common practice, no source).
    ///
    /// # Errors
    /// What is wrong, as one sentence.
    pub fn check(&self, quantity: Quantity) -> Result<(), CalibrationError> {
        let (unit, most) = if quantity == Quantity::Humidity { ("points of humidity", 15.0) } else { ("°C", 5.0) };
        if self.points > 1 && self.span < SPAN_MIN {
            return Err(CalibrationError::TooClose { span: self.span, unit });
        }
        if self.farthest_off > most {
            return Err(CalibrationError::TooFar { off: self.farthest_off, unit, most });
        }
        if !GAIN.contains(&self.gain) {
            return Err(CalibrationError::Gain { gain: self.gain });
        }
        Ok(())
    }
}

/// How far apart the references of several points lie.
fn span(points: &[Point]) -> f64 {
    let values = points.iter().map(|point| point.reference.value);
    values.clone().fold(f64::NEG_INFINITY, f64::max) - values.fold(f64::INFINITY, f64::min)
}

/// The lines to paste in the config: the correction of one quantity of one probe.
///
/// `made` is the local date, `2026-11-20`. An offset or gain is written to a thousandth and a hundred
/// thousandth, far finer than any probe here.
pub fn config_lines(probe: &str, quantity: Quantity, fit: &Fit, made: &str) -> String {
    let is_bare = !probe.is_empty() && probe.chars().all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_');
    let key = if is_bare { probe.to_owned() } else { quoted(probe) };
    // A plain number that rounds to zero must not be written as "-0.000".
    let offset = (fit.offset * 1e3).round() / 1e3 + 0.0;
    let (word, gain, made) = (quantity.word(), fit.gain, quoted(made));
    format!("[correction.{key}]\n{word} = {{ offset = {offset:.3}, gain = {gain:.5}, made = {made} }}\n")
}

/// A TOML basic string.
fn quoted(text: &str) -> String {
    let mut quoted = String::from('"');
    for character in text.chars() {
        match character {
            '"' | '\\' => quoted.extend(['\\', character]),
            _ if character.is_control() => quoted.push_str(&format!("\\u{:04X}", u32::from(character))),
            _ => quoted.push(character),
        }
    }
    quoted.push('"');
    quoted
}
