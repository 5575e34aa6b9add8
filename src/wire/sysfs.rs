//! The kernel's sensor attributes as text, by its published ABI. Pure.
//!
//! In: the text of attributes. Out: values in our units, or why there is none. Left out: which file it is.
//! Sources: Linux, Documentation/w1/slaves/w1_therm.rst (`w1_slave`), and
//! Documentation/ABI/testing/sysfs-bus-iio (`in_temp_raw` and the like; milli-degrees, milli-percent,
//! percent of volume, millivolts once offset and scale are applied).

use super::checksum::crc8;
use super::recipe::Refusal;

/// The temperature in a `w1_slave` attribute, °C: nine bytes of scratchpad with their checksum and the
/// driver's verdict, then the same bytes and `t=` in thousandths of a degree.
///
/// # Errors
/// [`Refusal::Checksum`] where driver or bytes say so, [`Refusal::Malformed`] where it is none, or all
/// bytes are zero: a line that is shorted reads so, and zero is its own checksum.
pub fn one_wire(text: &str) -> Result<f64, Refusal> {
    let mut lines = text.lines();
    let (head, tail) = (lines.next().unwrap_or(""), lines.next().unwrap_or(""));
    let (bytes, verdict) = head.split_once(':').ok_or(Refusal::Malformed)?;
    let bytes: Vec<u8> = bytes
        .split_whitespace()
        .map(|byte| u8::from_str_radix(byte, 16))
        .collect::<Result<_, _>>()
        .map_err(|_| Refusal::Malformed)?;
    let (data, sum) = bytes.split_at_checked(8).ok_or(Refusal::Malformed)?;
    if data.iter().all(|byte| *byte == 0) {
        return Err(Refusal::Malformed);
    }
    if sum != [crc8(data)] || !verdict.trim_end().ends_with("YES") {
        return Err(Refusal::Checksum);
    }
    let (_, thousandths) = tail.rsplit_once("t=").ok_or(Refusal::Malformed)?;
    thousandths.trim().parse::<i32>().map(|t| f64::from(t) / 1_000.0).map_err(|_| Refusal::Malformed)
}

/// A channel of the industrial I/O subsystem: its name without the ending, such as `in_temp`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Channel<'a>(pub &'a str);

impl Channel<'_> {
    /// What the ABI's unit is worth in ours: value = number x .0 / .1. `None` for a channel that is
    /// none of our quantities.
    fn worth(self) -> Option<(f64, f64)> {
        let is = |kind: &str| {
            self.0.strip_prefix(kind).is_some_and(|rest| !rest.starts_with(|c: char| c.is_ascii_lowercase()))
        };
        if is("in_temp") || is("in_humidityrelative") || is("in_voltage") {
            Some((1.0, 1_000.0))
        } else if is("in_concentration") {
            Some((10_000.0, 1.0))
        } else {
            None
        }
    }

    /// Whether it is one that can be read here.
    pub fn is_known(self) -> bool {
        self.worth().is_some()
            && self.0.bytes().all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'_')
    }

    /// The value of a processed attribute, `in_temp_input`.
    ///
    /// # Errors
    /// [`Refusal::Malformed`] where it is no number.
    pub fn input(self, text: &str) -> Result<f64, Refusal> {
        self.value(number(text)?)
    }

    /// The value of a raw attribute with its offset and scale, where it has them: (raw + offset) x scale.
    ///
    /// # Errors
    /// [`Refusal::Malformed`] where one is no number.
    pub fn raw(self, raw: &str, offset: Option<&str>, scale: Option<&str>) -> Result<f64, Refusal> {
        let offset = offset.map_or(Ok(0.0), number)?;
        let scale = scale.map_or(Ok(1.0), number)?;
        self.value((number(raw)? + offset) * scale)
    }

    fn value(self, number: f64) -> Result<f64, Refusal> {
        let (times, by) = self.worth().ok_or(Refusal::FieldMissing)?;
        // The kernel counts to the millionth; what follows is the float's own.
        Ok((number * times / by * 1e6).round() / 1e6)
    }
}

fn number(text: &str) -> Result<f64, Refusal> {
    text.trim().parse().ok().filter(|number: &f64| number.is_finite()).ok_or(Refusal::Malformed)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The scratchpads of `fixtures/probes/wire_crc.csv`; the attribute's shape by w1_therm.rst.
    #[test]
    fn one_wire_attributes() {
        let attribute = |bytes: &str, crc: &str, verdict: &str, t: &str| {
            format!("{bytes} {crc} : crc={crc} {verdict}\n{bytes} {crc} t={t}\n")
                .to_lowercase()
                .replace("yes", "YES")
                .replace("no", "NO")
        };
        let (warm, start) = ("91 01 4B 46 7F FF 0F 10", "50 05 4B 46 7F FF 0C 10");
        assert_eq!(one_wire(&attribute(warm, "25", "YES", "25062")), Ok(25.062));
        assert_eq!(one_wire(&attribute(start, "1C", "YES", "85000")), Ok(85.0));
        assert_eq!(
            one_wire(&attribute(
                "5E FF 4B 46 7F FF 02 10",
                &format!("{:02X}", crc8(&[0x5E, 0xFF, 0x4B, 0x46, 0x7F, 0xFF, 2, 0x10])),
                "YES",
                "-10125"
            )),
            Ok(-10.125)
        );
        assert_eq!(one_wire(&attribute(warm, "25", "NO", "25062")), Err(Refusal::Checksum));
        assert_eq!(one_wire(&attribute(warm, "26", "YES", "25062")), Err(Refusal::Checksum));
        assert_eq!(one_wire(&attribute("00 00 00 00 00 00 00 00", "00", "YES", "0")), Err(Refusal::Malformed));
        for none in
            ["", "\n", ":", "zz : YES\n", "91 01 : crc=25 YES\nt=1", "91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n"]
        {
            assert_eq!(one_wire(none), Err(Refusal::Malformed), "{none:?}");
        }
    }

    /// sysfs-bus-iio: (raw + offset) x scale gives thousandths of a degree, of a percent, percent, millivolts.
    #[test]
    fn industrial_io_channels() {
        assert_eq!(Channel("in_temp").input("23410\n"), Ok(23.41));
        assert_eq!(Channel("in_humidityrelative").raw("51200", None, Some("1.716613")), Ok(87.890586));
        // The SHT3x's -45 + 175 S/65535 as scale and offset in thousandths; 6666 hex is 25 °C (data sheet's formula).
        let sht3x = Channel("in_temp").raw("26214", Some("-16851.857143"), Some("2.670329"));
        assert!(sht3x.is_ok_and(|value| (value - 25.0).abs() < 1e-4), "{sht3x:?}");
        assert_eq!(Channel("in_concentration_co2").raw("812", None, Some("0.0001")), Ok(812.0));
        assert_eq!(Channel("in_voltage0").raw("2048", None, Some("1.8")), Ok(3.6864));
        assert_eq!(Channel("in_temp").input("warm"), Err(Refusal::Malformed));
        assert_eq!(Channel("in_temp").input("inf"), Err(Refusal::Malformed));
        assert!(Channel("in_temp_ambient").is_known() && Channel("in_concentration_co2").is_known());
        for unknown in ["in_pressure", "in_temperature", "in_temp/../x", "", "temp"] {
            assert!(!Channel(unknown).is_known(), "{unknown}");
        }
    }
}
