//! Saturated salts: the humidity over them, for calibrating humidity probes.
//!
//! In: a salt and the temperature of its jar, °C. Out: relative humidity, %, with its uncertainty.
//! Left out: how evenly warm the jar is (`calibration` adds that).

use super::fixed_point::FixedPoint;

/// A salt whose saturated solution, with crystals left in it, keeps the air over it at one humidity.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Salt {
    /// LiCl, some 11 %.
    LithiumChloride,
    /// MgCl2, some 33 %.
    MagnesiumChloride,
    /// Mg(NO3)2, some 53 %.
    MagnesiumNitrate,
    /// NaCl, some 75 %; table salt.
    SodiumChloride,
    /// KCl, some 85 %.
    PotassiumChloride,
    /// K2SO4, some 97 %.
    PotassiumSulphate,
}

/// A salt's row of the table: the polynomial in °C giving %RH, and the estimated uncertainties at 0, 5 … 40 °C.
struct SaltRow {
    polynomial: [f64; 4],
    from_c: f64,
    uncertainties: [f64; 9],
}

impl Salt {
    /// All of them, driest first.
    pub const ALL: [Salt; 6] = [
        Salt::LithiumChloride,
        Salt::MagnesiumChloride,
        Salt::MagnesiumNitrate,
        Salt::SodiumChloride,
        Salt::PotassiumChloride,
        Salt::PotassiumSulphate,
    ];

    /// Up to here the estimated uncertainties are known, °C.
    pub const TO_C: f64 = 40.0;

    /// The word of the command: `nacl`.
    pub fn word(self) -> &'static str {
        match self {
            Salt::LithiumChloride => "licl",
            Salt::MagnesiumChloride => "mgcl2",
            Salt::MagnesiumNitrate => "mgno32",
            Salt::SodiumChloride => "nacl",
            Salt::PotassiumChloride => "kcl",
            Salt::PotassiumSulphate => "k2so4",
        }
    }

    /// The coldest jar whose humidity is known, °C.
    pub fn from_c(self) -> f64 {
        self.row().from_c
    }

    fn row(self) -> SaltRow {
        match self {
            Salt::LithiumChloride => SaltRow {
                // The linear term is positive: one public copy has it negative, against its own table.
                polynomial: [11.2323, 0.008_242_45, -0.000_214_89, 0.0],
                from_c: 5.0,
                uncertainties: [0.47, 0.47, 0.41, 0.35, 0.31, 0.27, 0.24, 0.22, 0.21], // the first is never used
            },
            Salt::MagnesiumChloride => SaltRow {
                polynomial: [33.6686, -0.007_973_97, -0.001_089_88, 0.0],
                from_c: 0.0,
                uncertainties: [0.33, 0.28, 0.24, 0.21, 0.18, 0.16, 0.14, 0.13, 0.13],
            },
            Salt::MagnesiumNitrate => SaltRow {
                polynomial: [60.3514, -0.298_153, 0.0, 0.0],
                from_c: 0.0,
                uncertainties: [0.55, 0.43, 0.33, 0.27, 0.23, 0.22, 0.24, 0.29, 0.37], // from memory but 25 °C
            },
            Salt::SodiumChloride => SaltRow {
                polynomial: [75.5164, 0.039_832_1, -0.002_654_59, 2.848e-5],
                from_c: 0.0,
                uncertainties: [0.34, 0.27, 0.22, 0.18, 0.14, 0.12, 0.11, 0.12, 0.13],
            },
            Salt::PotassiumChloride => SaltRow {
                polynomial: [88.6190, -0.193_340, 0.000_899_706, 0.0],
                from_c: 0.0,
                uncertainties: [0.53, 0.45, 0.39, 0.33, 0.29, 0.26, 0.25, 0.25, 0.25],
            },
            Salt::PotassiumSulphate => SaltRow {
                polynomial: [98.7792, -0.059_050_2, 0.0, 0.0],
                from_c: 0.0,
                uncertainties: [1.1, 0.91, 0.76, 0.63, 0.53, 0.45, 0.40, 0.38, 0.38],
            },
        }
    }

    /// Relative humidity over the saturated solution at `jar_c` °C, %, with the estimated uncertainty of the
    /// table (between its rows on a straight line).
    ///
    /// 0..=40 °C (lithium chloride 5..=40); `None` outside. Source: L. Greenspan, Humidity fixed points of
    /// binary saturated aqueous solutions, J. Res. Natl. Bur. Stand. 81A (1977) 89-96, tables 1 and 2; the
    /// polynomials hold to 50 °C and within 0.015 of the table.
    pub fn humidity_pct(self, jar_c: f64) -> Option<FixedPoint> {
        let row = self.row();
        if !(row.from_c..=Salt::TO_C).contains(&jar_c) {
            return None;
        }
        let [a, b, c, d] = row.polynomial;
        let step = jar_c / 5.0;
        let before = (step.floor() as usize).min(row.uncertainties.len() - 2);
        let share = step - before as f64;
        let uncertainty = row.uncertainties[before] * (1.0 - share) + row.uncertainties[before + 1] * share;
        Some(FixedPoint { value: a + jar_c * (b + jar_c * (c + jar_c * d)), uncertainty })
    }
}
