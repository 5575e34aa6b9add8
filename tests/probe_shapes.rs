//! Checksums, conversions and line shapes against data sheets and catalogues, whole lines through `decode`.
#![allow(clippy::unwrap_used, clippy::panic)]

use tubwatch::wire::checksum::{Checksum, Kind, crc8, crc8_sht, crc16};
use tubwatch::wire::registers::{Kind as Number, Register, Table};
use tubwatch::wire::{Format, Recipe, Refusal, decode};

fn rows(name: &str) -> Vec<Vec<String>> {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/probes").join(name);
    let text = std::fs::read_to_string(path).unwrap();
    let split = |line: &str| {
        let mut cells = vec![String::new()];
        let mut quoted = false;
        for letter in line.chars() {
            match letter {
                '"' => quoted = !quoted,
                ',' if !quoted => cells.push(String::new()),
                letter => cells.last_mut().unwrap().push(letter),
            }
        }
        cells
    };
    text.lines().skip(1).map(split).collect()
}

fn hex(text: &str) -> Vec<u8> {
    text.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
}

/// `fixtures/probes/wire_crc.csv`: Modbus, SHT3x and 1-Wire checksums, published and computed.
#[test]
fn checksums_are_those_of_the_data_sheets() {
    let rows = rows("wire_crc.csv");
    assert_eq!(rows.len(), 19);
    for row in rows {
        let (message, expected) = (hex(&row[2]), u16::from_str_radix(&row[3], 16).unwrap());
        let found = match row[0].as_str() {
            "crc16_modbus" => crc16(&message),
            "crc8_sht3x" => crc8_sht(&message).into(),
            "crc8_maxim_1wire" => crc8(&message).into(),
            other => panic!("{other}"),
        };
        assert_eq!(found, expected, "{}", row[1]);
        let mut frame = message;
        frame.extend(hex(&row[4]));
        assert_eq!(frame, hex(&row[5]), "{}", row[1]);
    }
}

/// The SHT3x data sheet's formulas as scale and offset of a register; tolerance 1e-6 as the table says.
#[test]
fn conversions_of_the_sht3x() {
    for row in rows("sht3x_raw_conversion.csv") {
        let raw = |cell: &str| u16::from_str_radix(cell, 16).unwrap();
        let value = |scale, offset, raw| {
            let register =
                Register { table: Table::Input, address: 0, kind: Number::U16, little: false, scale, offset };
            register.value(&[raw]).unwrap()
        };
        let temperature = value(175.0 / 65_535.0, -45.0, raw(&row[0]));
        let humidity = value(100.0 / 65_535.0, 0.0, raw(&row[1]));
        assert!((temperature - row[2].parse::<f64>().unwrap()).abs() < 1e-6, "{row:?}");
        assert!((humidity - row[4].parse::<f64>().unwrap()).abs() < 1e-6, "{row:?}");
    }
}

fn temperature(recipe: &Recipe, line: &str) -> Result<f64, Refusal> {
    let mut out = Vec::new();
    decode(recipe, line.as_bytes(), &mut out)?;
    Ok(out[0].values[0].unwrap())
}

#[test]
fn a_spoilt_line_is_refused_by_its_checksum() {
    let mut recipe = Recipe { format: Format::Pairs, ..Recipe::default() };
    recipe.reads[0] = Some("T".to_owned());
    recipe.checksum = Some(Checksum { kind: Kind::Xor, at: "*".to_owned(), from: "$".to_owned() });
    let body = "T=23.41 H=88.2";
    let line = format!("${body}*{:02X}", body.bytes().fold(0, |sum, byte| sum ^ byte));
    assert_eq!(temperature(&recipe, &format!("{line}\r\n")), Ok(23.41));
    // One bit of any byte turned, the mark and the digits included: never another number.
    for at in 0..line.len() {
        for bit in 0..7 {
            let mut bytes = line.clone().into_bytes();
            bytes[at] ^= 1 << bit;
            let mut out = Vec::new();
            let decoded = decode(&recipe, &bytes, &mut out);
            // A digit's case may change, which is the same digit.
            let same = decoded == Ok(()) && out[0].values[0] == Some(23.41);
            assert!(decoded == Err(Refusal::Checksum) || same, "{}", String::from_utf8_lossy(&bytes));
        }
    }
    assert_eq!(temperature(&recipe, body), Err(Refusal::Checksum));
}

#[test]
fn a_header_is_known_by_its_names() {
    let columns = ["id", "t", "h"].map(str::to_owned).to_vec();
    let mut recipe = Recipe { format: Format::Csv, columns, ..Recipe::default() };
    recipe.reads[0] = Some("2".to_owned());
    assert_eq!(temperature(&recipe, "ID, T, H"), Err(Refusal::Header));
    assert_eq!(temperature(&recipe, "a1,23.41,88"), Ok(23.41));
    assert_eq!(temperature(&recipe, "id,t,h\r\na1,23.41,88\r\n"), Ok(23.41));
}

/// Several probes in one line: each picks its own out of it.
#[test]
fn many_probes_in_one_line() {
    let line = r#"{"probes":[{"id":"a1","t":"27,9"},{"id":"a2","t":"82.4F"}]}"#;
    for (at, expected) in [("/probes/0/t", 27.9), ("/probes/1/t", 28.0)] {
        let mut recipe = Recipe::default();
        recipe.reads[0] = Some(at.to_owned());
        assert_eq!(temperature(&recipe, line), Ok(expected));
    }
}
