//! Modbus registers to readings. In: which registers a probe's quantities are in, and what was read.
//! Out: the spans to ask for, and values. Left out: frames, the line, time.
//!
//! Source: MODBUS Application Protocol Specification V1.1b3: addresses are as sent, the first register
//! is 0 (4.4); at most 125 registers a request (6.3, 6.4). Numbers of two registers are not of the
//! standard; makers send either word first.

use super::recipe::{Decoded, Refusal};
use crate::climate::Quantity;
use crate::climate::quantity::Values;

/// The most registers of one request: MODBUS Application Protocol V1.1b3, 6.3 and 6.4.
pub const REGISTERS_MAX: u16 = 125;

/// Which of a unit's tables a register stands in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Table {
    /// Input registers, function 4.
    Input,
    /// Holding registers, function 3.
    Holding,
}

/// How a number is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Signed, one register.
    I16,
    /// Unsigned, one register.
    U16,
    /// Signed, two registers.
    I32,
    /// Unsigned, two registers.
    U32,
    /// IEEE 754, two registers.
    F32,
}

impl Kind {
    /// All kinds.
    pub const ALL: [Kind; 5] = [Kind::I16, Kind::U16, Kind::I32, Kind::U32, Kind::F32];

    /// The word used in config.
    pub fn word(self) -> &'static str {
        match self {
            Kind::I16 => "i16",
            Kind::U16 => "u16",
            Kind::I32 => "i32",
            Kind::U32 => "u32",
            Kind::F32 => "f32",
        }
    }

    /// How many registers it takes.
    pub fn width(self) -> u16 {
        match self {
            Kind::I16 | Kind::U16 => 1,
            Kind::I32 | Kind::U32 | Kind::F32 => 2,
        }
    }
}

/// Where one quantity is: value = number x `scale` + `offset`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Register {
    /// The table.
    pub table: Table,
    /// The address as sent; the first register is 0.
    pub address: u16,
    /// How it is kept.
    pub kind: Kind,
    /// The lower word comes first.
    pub little: bool,
    /// What one step is worth.
    pub scale: f64,
    /// What is added.
    pub offset: f64,
}

impl Register {
    /// Whether both are read from one register.
    pub fn overlaps(&self, other: &Register) -> bool {
        let end = |it: &Register| u32::from(it.address) + u32::from(it.kind.width());
        self.table == other.table && u32::from(self.address) < end(other) && u32::from(other.address) < end(self)
    }

    /// The value in `words`, the registers from its own address on; `None` where there are too few.
    /// NaN where it is no finite number.
    pub fn value(&self, words: &[u16]) -> Option<f64> {
        let pair = || {
            let (first, second) = (u32::from(*words.first()?), u32::from(*words.get(1)?));
            Some(if self.little { second << 16 | first } else { first << 16 | second })
        };
        let number = match self.kind {
            Kind::I16 => f64::from(words.first()?.cast_signed()),
            Kind::U16 => f64::from(*words.first()?),
            Kind::I32 => f64::from(pair()?.cast_signed()),
            Kind::U32 => f64::from(pair()?),
            Kind::F32 => widened(f32::from_bits(pair()?)),
        };
        let value = scaled(number, self.scale) + self.offset;
        Some(if value.is_finite() { value } else { f64::NAN })
    }
}

/// A single-precision number as the decimal it was meant as: 23.4 and not 23.399999618530273.
fn widened(single: f32) -> f64 {
    single.to_string().parse().unwrap_or(f64::NAN)
}

/// `number` x `scale`; a scale such as 0.1 divides by 10, so that 234 gives 23.4 and not a neighbour of it.
fn scaled(number: f64, scale: f64) -> f64 {
    let whole = (1.0 / scale).round();
    if scale.abs() < 1.0 && whole != 0.0 && (whole * scale - 1.0).abs() < 1e-12 {
        number / whole
    } else {
        number * scale
    }
}

/// What is asked of one unit, and how patiently.
#[derive(Clone, Debug, PartialEq)]
pub struct Registers {
    /// The unit's identifier, 1 to 247.
    pub unit: u8,
    /// Where each quantity is, by `Quantity::index`.
    pub fields: [Option<Register>; 4],
    /// How long it may take to begin its answer, milliseconds.
    pub answer_within_ms: i64,
    /// How often it is asked before it is given up for this time; 1 at least.
    pub tries: u32,
}

/// Registers read in one request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    /// The table.
    pub table: Table,
    /// The first address.
    pub address: u16,
    /// How many.
    pub count: u16,
}

impl Registers {
    /// The fewest requests that read all fields without touching a register that nobody asked for:
    /// many devices refuse a request that holds one they do not have.
    pub fn spans(&self) -> Vec<Span> {
        let mut fields: Vec<&Register> = self.fields.iter().flatten().collect();
        fields.sort_by_key(|field| (field.table, field.address));
        let mut spans: Vec<Span> = Vec::new();
        for field in fields {
            let end = u32::from(field.address) + u32::from(field.kind.width());
            if let Some(last) = spans.last_mut()
                && last.table == field.table
                && u32::from(field.address) <= u32::from(last.address) + u32::from(last.count)
                && end - u32::from(last.address) <= u32::from(REGISTERS_MAX)
            {
                last.count = last.count.max((end - u32::from(last.address)) as u16);
                continue;
            }
            spans.push(Span { table: field.table, address: field.address, count: field.kind.width() });
        }
        spans
    }

    /// Adds to `values` what the registers of `span`, as read, say.
    pub fn read(&self, span: Span, words: &[u16], values: &mut Values) {
        for quantity in Quantity::ALL {
            let Some(field) = &self.fields[quantity.index()] else { continue };
            let Some(from) = field.address.checked_sub(span.address).map(usize::from) else { continue };
            if field.table == span.table
                && let Some(value) = words.get(from..).and_then(|words| field.value(words))
            {
                values[quantity.index()] = Some(value);
            }
        }
    }

    /// The reading that `values` make.
    ///
    /// # Errors
    /// [`Refusal::FieldMissing`] where there are none.
    pub fn decoded(values: Values) -> Result<Decoded, Refusal> {
        if values.iter().all(Option::is_none) { Err(Refusal::FieldMissing) } else { Ok(Decoded { time: None, values }) }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn at(table: Table, address: u16, kind: Kind) -> Register {
        Register { table, address, kind, little: false, scale: 0.1, offset: 0.0 }
    }

    #[test]
    fn numbers_of_every_kind() {
        let value = |kind, little, scale, words: &[u16]| {
            Register { table: Table::Input, address: 0, kind, little, scale, offset: 0.0 }.value(words)
        };
        assert_eq!(value(Kind::I16, false, 0.1, &[234]), Some(23.4));
        assert_eq!(value(Kind::I16, false, 0.1, &[0xFF9C]), Some(-10.0));
        assert_eq!(value(Kind::U16, false, 0.01, &[0xFF9C]), Some(654.36));
        assert_eq!(value(Kind::I32, false, 0.001, &[0xFFFF, 0xD8F0]), Some(-10.0));
        assert_eq!(value(Kind::U32, true, 1.0, &[0x0001, 0x0002]), Some(131_073.0));
        assert_eq!(value(Kind::F32, false, 1.0, &[0x41BB, 0x3333]), Some(23.4));
        assert_eq!(value(Kind::F32, true, 1.0, &[0x3333, 0x41BB]), Some(23.4));
        assert!(value(Kind::F32, false, 1.0, &[0x7FC0, 0]).unwrap().is_nan());
        assert_eq!(value(Kind::U32, false, 1.0, &[1]), None);
        let kelvin = Register { offset: -273.15, ..at(Table::Input, 0, Kind::U16) };
        assert!((kelvin.value(&[2982]).unwrap() - 25.05).abs() < 1e-9);
    }

    #[test]
    fn neighbours_are_asked_for_together_and_strangers_are_not() {
        let fields = [
            Some(at(Table::Input, 2, Kind::U16)),
            Some(at(Table::Input, 1, Kind::I16)),
            Some(at(Table::Input, 4, Kind::U32)),
            Some(at(Table::Holding, 3, Kind::U16)),
        ];
        let registers = Registers { unit: 1, fields, answer_within_ms: 500, tries: 2 };
        let span = |table, address, count| Span { table, address, count };
        let expected = [span(Table::Input, 1, 2), span(Table::Input, 4, 2), span(Table::Holding, 3, 1)];
        assert_eq!(registers.spans(), expected);
        let mut values: Values = [None; 4];
        registers.read(expected[0], &[882, 234], &mut values);
        assert_eq!(values, [Some(23.4), Some(88.2), None, None]);
        registers.read(expected[1], &[0, 8120], &mut values);
        assert_eq!(values[2], Some(812.0));
        assert!(Registers::decoded([None; 4]).is_err());
    }

    #[test]
    fn the_last_address_and_the_longest_request() {
        let fields = [Some(at(Table::Input, 0xFFFF, Kind::U16)), None, None, None];
        let registers = Registers { unit: 1, fields, answer_within_ms: 1, tries: 1 };
        assert_eq!(registers.spans(), [Span { table: Table::Input, address: 0xFFFF, count: 1 }]);
    }
}
