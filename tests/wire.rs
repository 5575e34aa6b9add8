//! Bytes to readings: a table per format, bad input, and any bytes at all.
#![allow(clippy::unwrap_used, clippy::panic)]

use proptest::prelude::*;
use tubwatch::climate::Stamp;
use tubwatch::wire::{Decoded, Format, LINE_BYTES_MAX, Lines, Piece, Recipe, Refusal, TimeField, TimeUnit};
use tubwatch::wire::{decode, printable, topic};

/// A recipe that reads temperature and humidity.
fn recipe(format: Format, temperature: &str, humidity: &str) -> Recipe {
    let reads = [Some(temperature.to_owned()), Some(humidity.to_owned()), None, None];
    Recipe { format, reads, ..Recipe::default() }
}

fn selecting(mut recipe: Recipe, at: &str, text: &str) -> Recipe {
    recipe.select.push((at.to_owned(), text.to_owned()));
    recipe
}

fn timed(mut recipe: Recipe, at: &str, unit: TimeUnit) -> Recipe {
    recipe.time = Some(TimeField { at: at.to_owned(), unit });
    recipe
}

fn all(recipe: &Recipe, payload: impl AsRef<[u8]>) -> Result<Vec<Decoded>, Refusal> {
    let mut out = Vec::new();
    decode(recipe, payload.as_ref(), &mut out).map(|()| out)
}

/// Temperature and humidity of a payload that gives one reading.
fn pair(recipe: &Recipe, payload: impl AsRef<[u8]>) -> Result<(Option<f64>, Option<f64>), Refusal> {
    all(recipe, payload).map(|out| {
        assert_eq!(out.len(), 1);
        (out[0].values[0], out[0].values[1])
    })
}

fn same(a: Option<f64>, b: Option<f64>) -> bool {
    match (a, b) {
        (Some(a), Some(b)) => a == b || (a.is_nan() && b.is_nan()),
        (a, b) => a.is_none() && b.is_none(),
    }
}

const NAN: Option<f64> = Some(f64::NAN);
type Want = Result<(Option<f64>, Option<f64>), Refusal>;

fn check(recipe: &Recipe, rows: &[(&str, Want)]) {
    for (payload, want) in rows {
        let got = pair(recipe, payload);
        let right = match (&got, want) {
            (Ok(got), Ok(want)) => same(got.0, want.0) && same(got.1, want.1),
            (got, want) => got.as_ref().err() == want.as_ref().err() && got.is_err(),
        };
        assert!(right, "{payload:?} gave {got:?}, wanted {want:?}");
    }
}

fn deep(open: &str, middle: &str, close: &str) -> String {
    format!("{}{middle}{}", open.repeat(100_000), close.repeat(100_000))
}

#[test]
fn json_by_pointer() {
    let two = (Some(23.41), Some(88.2));
    check(
        &recipe(Format::Json, "/t", "/h"),
        &[
            (r#"{"t":23.41,"h":88.2}"#, Ok(two)),
            (r#" {"t":"23.41","h":" 88.2 "} "#, Ok(two)),
            ("\u{feff}{\"t\":23.41,\"h\":88.2}\r\n\0", Ok(two)),
            (r#"{"t":23.41,"h":null}"#, Ok((Some(23.41), None))),
            (r#"{"t":23.41}"#, Ok((Some(23.41), None))),
            (r#"{"t":0.1,"t":23.41,"h":88.2}"#, Ok(two)),
            (r#"{"t":-127,"h":1e2}"#, Ok((Some(-127.0), Some(100.0)))),
            // Every digit counts: these two neighbours differ in the last bit of a 64-bit float.
            (r#"{"t":23.410000000000004,"h":23.41}"#, Ok((Some(23.410_000_000_000_004), Some(23.41)))),
            (r#"{"t":1e999,"h":88.2}"#, Ok((NAN, Some(88.2)))),
            (r#"{"t":nan,"h":88.2}"#, Ok((NAN, Some(88.2)))),
            (r#"{"t":NaN,"h":-Infinity}"#, Ok((NAN, NAN))),
            (r#"{"t":"1e999","h":88.2}"#, Ok((NAN, Some(88.2)))),
            (r#"{"t":"","h":88.2}"#, Ok((NAN, Some(88.2)))),
            (r#"{"t":"error","h":"N/A"}"#, Ok((NAN, NAN))),
            (r#"{"t":true,"h":88.2}"#, Ok((NAN, Some(88.2)))),
            (r#"{"t":[23.41],"h":88.2}"#, Ok((NAN, Some(88.2)))),
            (r#"{"t":"warm","h":{}}"#, Err(Refusal::Malformed)),
            (r#"{"note":"nan is \"nan\"","t":nan,"h":1}"#, Ok((NAN, Some(1.0)))),
            (r#"{"temp":23.41}"#, Err(Refusal::FieldMissing)),
            (r#"{"t":null,"h":null}"#, Err(Refusal::FieldMissing)),
            (r#"{"t":23.41,"h":88.2"#, Err(Refusal::Malformed)),
            (r#"3.41,"h":88.2}"#, Err(Refusal::Malformed)),
            (r#"{"t":23,41}"#, Err(Refusal::Malformed)),
            (r#"{"t":23.41}{"t":23.42}"#, Err(Refusal::Malformed)),
            ("23.41", Err(Refusal::Malformed)),
            ("ets Jun  8 2016 00:22:57", Err(Refusal::Malformed)),
            (" \r\n", Err(Refusal::Empty)),
            ("", Err(Refusal::Empty)),
            (&deep("[", "", "]"), Err(Refusal::Malformed)),
            (&deep("{\"a\":", "nan", "}"), Err(Refusal::Malformed)),
            (&deep("[", "", ""), Err(Refusal::Malformed)),
        ],
    );
    // RFC 6901, section 5: the escapes of the pointer itself, and places in lists.
    check(
        &recipe(Format::Json, "/a~1b/m~0n/1", "/ /k\"l"),
        &[(r#"{"a/b":{"m~n":[0,23.41]}," ":{"k\"l":88.2}}"#, Ok(two))],
    );
}

#[test]
fn not_text_is_said_so() {
    for format in Format::ALL {
        let got = all(&recipe(format, "1", "2"), b"23.4\xb0C");
        assert_eq!(got, Err(Refusal::NotText), "{format:?}");
    }
}

#[test]
fn one_bare_number() {
    let mut recipe = recipe(Format::Number, "", "");
    recipe.reads[1] = None;
    check(
        &recipe,
        &[
            ("23.41", Ok((Some(23.41), None))),
            (" +23.41\r\n", Ok((Some(23.41), None))),
            ("-1.5e-3", Ok((Some(-0.0015), None))),
            ("nan", Ok((NAN, None))),
            ("ERROR", Ok((NAN, None))),
            ("--", Ok((NAN, None))),
            ("1e999", Ok((NAN, None))),
            ("23,41", Ok((Some(23.41), None))),
            ("74.1F", Ok((Some(23.3889), None))),
            ("23.4 bananas", Err(Refusal::Malformed)),
            ("23.41 C", Ok((Some(23.41), None))),
            ("0x17", Err(Refusal::Malformed)),
            ("hello", Err(Refusal::Malformed)),
            ("\t", Err(Refusal::Empty)),
        ],
    );
    assert_eq!(all(&selecting(recipe, "1", "23.41"), "23.41"), Err(Refusal::NobodyReads));
}

#[test]
fn pairs_of_every_writing() {
    let two = (Some(23.41), Some(88.2));
    check(
        &recipe(Format::Pairs, "T", "H"),
        &[
            ("T=23.41 H=88.2", Ok(two)),
            ("T:23.41;H:88.2", Ok(two)),
            ("T=23.41,H=88.2", Ok(two)),
            ("T = 23.41\tH : 88.2", Ok(two)),
            ("shelf-air T=23.41 H=88.2 ok", Ok(two)),
            ("T=\"23.41\" H=88.2", Ok(two)),
            ("T=1 T=23.41 H=88.2", Ok(two)),
            ("t=1 T=23.41 h=2 H=88.2", Ok(two)),
            ("T= H=88.2", Ok((NAN, Some(88.2)))),
            ("T: H: 88.2", Ok((NAN, Some(88.2)))),
            ("T=nan H=88.2", Ok((NAN, Some(88.2)))),
            ("T=23.41C H=88.2", Ok(two)),
            ("T=23.41% H=88.2", Ok((NAN, Some(88.2)))),
            ("T=err H=err", Ok((NAN, NAN))),
            ("H=88.2", Ok((None, Some(88.2)))),
            ("P=1013", Err(Refusal::FieldMissing)),
            ("T=warm", Err(Refusal::Malformed)),
            ("T=23,41 H=88,2", Ok((Some(23.41), Some(88.2)))),
            ("T=23,41,H=88,2", Ok((Some(23.41), Some(88.2)))),
            ("T=23,41,5 H=88", Err(Refusal::Malformed)),
            ("T:23.4C;H:88%", Ok((Some(23.4), Some(88.0)))),
            ("T=74.1 F H=88 %RH ok", Ok((Some(23.3889), Some(88.0)))),
            ("T=23.4 ok H=88", Ok((Some(23.4), Some(88.0)))),
            ("T=23, 41", Err(Refusal::Malformed)),
            ("T=\"23.41", Err(Refusal::Malformed)),
            ("hello", Err(Refusal::Malformed)),
            (";;;,,,", Err(Refusal::Malformed)),
            ("===", Err(Refusal::FieldMissing)),
        ],
    );
}

#[test]
fn columns() {
    let two = (Some(23.41), Some(88.2));
    check(
        &recipe(Format::Csv, "2", "3"),
        &[
            ("a1,23.41,88.2", Ok(two)),
            ("a1; 23.41 ;88.2;", Ok(two)),
            ("a1\t23.41\t88.2", Ok(two)),
            ("\t23.41\t88.2", Ok(two)),
            ("\"a;1\", \"23.41\" , 88.2", Ok(two)),
            ("\"say \"\"hm\"\"\",23.41,88.2", Ok(two)),
            ("a1,,88.2", Ok((NAN, Some(88.2)))),
            ("a1,nan,nan", Ok((NAN, NAN))),
            ("a1,23.41", Ok((Some(23.41), None))),
            ("a1;23,41;88.2", Ok((Some(23.41), Some(88.2)))),
            ("a1;23,41 C;88,2%", Ok((Some(23.41), Some(88.2)))),
            ("id;t;h\na1;23,41;88,2", Ok((Some(23.41), Some(88.2)))),
            ("id;t;h", Err(Refusal::Malformed)),
            ("a1;1;2\na1;23,41;88,2", Err(Refusal::Malformed)),
            ("rst cause:2, boot mode:(3,6)", Err(Refusal::Malformed)),
            ("boot", Err(Refusal::FieldMissing)),
            ("\"a1,23.41", Err(Refusal::Malformed)),
            ("\"a1\"x,23.41", Err(Refusal::Malformed)),
            ("a1,23.41,88.2\na1,23.42,88.3", Err(Refusal::Malformed)),
        ],
    );
    check(&recipe(Format::Csv, "0", "x"), &[("23.41,88.2", Err(Refusal::FieldMissing))]);
    check(&recipe(Format::Csv, "99999999999999999999", "-1"), &[("23.41", Err(Refusal::FieldMissing))]);
}

#[test]
fn select_parts_probes_that_share_a_line() {
    let json = selecting(recipe(Format::Json, "/t", "/h"), "/id", "a1");
    assert_eq!(pair(&json, r#"{"id":"a1","t":1}"#), Ok((Some(1.0), None)));
    assert_eq!(pair(&json, r#"{"id":"a2","t":1}"#), Err(Refusal::NobodyReads));
    assert_eq!(pair(&json, r#"{"t":1}"#), Err(Refusal::NobodyReads));
    let big = selecting(recipe(Format::Json, "/t", "/h"), "/id", "9007199254740993");
    assert_eq!(pair(&big, r#"{"id":9007199254740993,"t":1}"#), Ok((Some(1.0), None)));
    assert_eq!(pair(&big, r#"{"id":9007199254740992,"t":1}"#), Err(Refusal::NobodyReads));
    let flag = selecting(recipe(Format::Json, "/t", "/h"), "/ok", "true");
    assert_eq!(pair(&flag, r#"{"ok":true,"t":1}"#), Ok((Some(1.0), None)));
    let pairs = selecting(recipe(Format::Pairs, "T", "H"), "id", "a1");
    assert_eq!(pair(&pairs, "id=a1 T=1"), Ok((Some(1.0), None)));
    assert_eq!(pair(&pairs, "id=a2 T=1"), Err(Refusal::NobodyReads));
    let csv = selecting(recipe(Format::Csv, "2", "3"), "1", "a1");
    assert_eq!(pair(&csv, "a1,1"), Ok((Some(1.0), None)));
    assert_eq!(pair(&csv, "a2,1"), Err(Refusal::NobodyReads));
}

#[test]
fn times() {
    let at = Some(Stamp(1_700_000_000_123));
    let json = |unit| timed(recipe(Format::Json, "/t", "/h"), "/ts", unit);
    let rows = [
        (TimeUnit::Seconds, "1700000000.123", Ok(at)),
        (TimeUnit::Seconds, "\"1700000000.123\"", Ok(at)),
        (TimeUnit::Seconds, "1700000000", Ok(Some(Stamp(1_700_000_000_000)))),
        (TimeUnit::Seconds, "0", Ok(Some(Stamp(0)))),
        (TimeUnit::Seconds, "null", Ok(None)),
        (TimeUnit::Seconds, "-5", Err(Refusal::BadTime)),
        (TimeUnit::Seconds, "1700000000123456", Err(Refusal::BadTime)),
        (TimeUnit::Seconds, "nan", Err(Refusal::BadTime)),
        (TimeUnit::Seconds, "\"12:00\"", Err(Refusal::BadTime)),
        (TimeUnit::Seconds, "true", Err(Refusal::BadTime)),
        (TimeUnit::Milliseconds, "1700000000123", Ok(at)),
        (TimeUnit::Milliseconds, "\"1700000000123\"", Ok(at)),
        (TimeUnit::Milliseconds, "1700000000122.6", Ok(at)),
        (TimeUnit::Milliseconds, "\"99999999999999999999\"", Err(Refusal::BadTime)),
        // RFC 3339, section 5.8 shows these two ways to write an offset.
        (TimeUnit::Rfc3339, "\"2023-11-14T22:13:20.123Z\"", Ok(at)),
        (TimeUnit::Rfc3339, "\"2023-11-14T23:13:20.123+01:00\"", Ok(at)),
        (TimeUnit::Rfc3339, "\"2023-11-14\"", Err(Refusal::BadTime)),
        (TimeUnit::Rfc3339, "1700000000", Err(Refusal::BadTime)),
    ];
    for (unit, written, want) in rows {
        let got = all(&json(unit), format!(r#"{{"t":1,"ts":{written}}}"#)).map(|out| out[0].time);
        assert_eq!(got, want, "{unit:?} {written}");
    }
    assert_eq!(all(&json(TimeUnit::Seconds), r#"{"t":1}"#).unwrap()[0].time, None);
    let pairs = timed(recipe(Format::Pairs, "T", "H"), "at", TimeUnit::Rfc3339);
    for line in ["at=2023-11-14T22:13:20.123Z T=1", "T: 1 at: 2023-11-14T22:13:20.123Z"] {
        assert_eq!(all(&pairs, line).unwrap()[0].time, at, "{line}");
    }
    let csv = timed(recipe(Format::Csv, "2", "3"), "1", TimeUnit::Seconds);
    assert_eq!(all(&csv, "1700000000.123,23.41").unwrap()[0].time, at);
}

#[test]
fn line_protocol_lines_and_times() {
    let recipe = recipe(Format::LineProtocol, "temp", "hum");
    let got = all(
        &recipe,
        "air,probe=a1 temp=23.41,hum=88i 1700000000123456789\r\nair temp=23.5 1700000010000000000\n# note\nair hum=3u\n",
    )
    .unwrap();
    assert_eq!(got.len(), 3);
    assert_eq!((got[0].values[0], got[0].values[1]), (Some(23.41), Some(88.0)));
    assert_eq!(got[0].time, Some(Stamp(1_700_000_000_123)));
    assert_eq!(got[1].time, Some(Stamp(1_700_000_010_000)));
    assert_eq!((got[2].values[0], got[2].values[1], got[2].time), (None, Some(3.0), None));
    assert!(all(&recipe, "air temp=\"error\"").unwrap()[0].values[0].unwrap().is_nan());
    assert_eq!(all(&recipe, "air temp=t"), Err(Refusal::Malformed));
    assert_eq!(all(&recipe, "air pressure=1013"), Err(Refusal::FieldMissing));
    assert_eq!(all(&recipe, "air temp=1 -5"), Err(Refusal::BadTime));
    assert_eq!(all(&recipe, "# note"), Err(Refusal::Empty));
    // A bad line is told, and the others are kept.
    let mut out = Vec::new();
    assert_eq!(decode(&recipe, b"air temp=1\nair temp=\nair temp=3", &mut out), Err(Refusal::Malformed));
    assert_eq!(out.len(), 2);
    let tagged = selecting(recipe.clone(), "probe", "a 1");
    assert_eq!(all(&tagged, "air,probe=a\\ 1 temp=1\nair,probe=a2 temp=2").unwrap().len(), 1);
    assert_eq!(all(&tagged, "air,probe=a2 temp=2"), Err(Refusal::NobodyReads));
    assert_eq!(all(&selecting(recipe.clone(), "measurement", "air"), "air temp=1").unwrap().len(), 1);
    assert_eq!(all(&selecting(recipe, "measurement", "soil"), "air temp=1"), Err(Refusal::NobodyReads));
}

/// The rows of a fixture: comma-separated, quoted by RFC 4180.
fn rows(text: &str) -> Vec<Vec<String>> {
    let mut rows = Vec::new();
    for line in text.lines().skip(1) {
        let mut row = vec![String::new()];
        let mut quoted = false;
        let mut chars = line.chars().peekable();
        while let Some(c) = chars.next() {
            match c {
                '"' if quoted && chars.peek() == Some(&'"') => row.last_mut().unwrap().push(chars.next().unwrap()),
                '"' => quoted = !quoted,
                ',' if !quoted => row.push(String::new()),
                c => row.last_mut().unwrap().push(c),
            }
        }
        rows.push(row);
    }
    rows
}

/// fixtures/wire/SOURCES.md: the line protocol reference.
#[test]
fn line_protocol_verdicts_of_the_reference() {
    for row in rows(include_str!("../fixtures/wire/line_protocol_lines.csv")) {
        let line: String = serde_json::from_str(&row[2]).unwrap();
        let got = all(&recipe(Format::LineProtocol, "temp_c", "co2_ppm"), &line);
        // A line that is written well may still read nothing that is asked for here.
        let valid = got != Err(Refusal::Malformed);
        assert_eq!(valid, row[0] == "valid", "{}: {line:?} gave {got:?}", row[1]);
    }
}

/// fixtures/wire/SOURCES.md: names and texts come back as they were before they were escaped.
#[test]
fn line_protocol_escapes_of_the_reference() {
    for row in rows(include_str!("../fixtures/wire/line_protocol_escaping.csv")) {
        let raw: String = serde_json::from_str(&row[2]).unwrap();
        let escaped: String = serde_json::from_str(&row[3]).unwrap();
        let (line, at, text) = match row[0].as_str() {
            "measurement" => (format!("{escaped} t=1"), "measurement", raw.as_str()),
            "tag_key" => (format!("air,{escaped}=x t=1"), raw.as_str(), "x"),
            "tag_value" => (format!("air,tub={escaped} t=1"), "tub", raw.as_str()),
            "field_key" => (format!("air {escaped}=\"x\",t=1"), raw.as_str(), "x"),
            "string_field_value" => (format!("air note={escaped},t=1"), "note", raw.as_str()),
            other => panic!("{other}"),
        };
        let recipe = selecting(recipe(Format::LineProtocol, "t", "h"), at, text);
        assert_eq!(pair(&recipe, &line), Ok((Some(1.0), None)), "{}: {line}", row[1]);
    }
}

/// OASIS MQTT 3.1.1, sections 4.7.1.2, 4.7.1.3 and 4.7.2: the standard's own examples.
#[test]
fn topic_filters_of_the_standard() {
    for (filter, topic, want) in [
        ("sport/tennis/player1/#", "sport/tennis/player1", true),
        ("sport/tennis/player1/#", "sport/tennis/player1/ranking", true),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true),
        ("sport/#", "sport", true),
        ("#", "sport/tennis", true),
        ("sport/tennis/+", "sport/tennis/player1", true),
        ("sport/tennis/+", "sport/tennis/player2", true),
        ("sport/tennis/+", "sport/tennis/player1/ranking", false),
        ("sport/+", "sport", false),
        ("sport/+", "sport/", true),
        ("+/+", "/finance", true),
        ("/+", "/finance", true),
        ("+", "/finance", false),
        ("#", "$SYS/monitor/Clients", false),
        ("+/monitor/Clients", "$SYS/monitor/Clients", false),
        ("$SYS/#", "$SYS/monitor/Clients", true),
        ("$SYS/monitor/+", "$SYS/monitor/Clients", true),
        ("ACCOUNTS", "Accounts", false),
        ("/finance", "finance", false),
    ] {
        assert_eq!(topic::matches(filter, topic), want, "{filter} {topic}");
    }
    for (filter, valid) in [
        ("#", true),
        ("+", true),
        ("sport/tennis/#", true),
        ("+/tennis/#", true),
        ("sport/+/player1", true),
        ("/", true),
        ("sport/tennis#", false),
        ("sport/tennis/#/ranking", false),
        ("sport+", false),
        ("", false),
        ("a\0b", false),
    ] {
        assert_eq!(topic::is_valid(filter), valid, "{filter:?}");
    }
}

#[test]
fn a_filter_covers_what_it_would_bring_anyway() {
    for (wide, narrow, want) in [
        ("#", "a/b", true),
        ("#", "+/b", true),
        ("#", "$SYS/x", false),
        ("a/#", "a", true),
        ("a/#", "a/+/c", true),
        ("a/+", "a/b", true),
        ("a/+", "a/#", false),
        ("a/+/c", "a/b/+", false),
        ("a/b", "a/b", true),
        ("a/b", "a/b/c", false),
        ("+/#", "#", false),
    ] {
        assert_eq!(topic::covers(wide, narrow), want, "{wide} {narrow}");
    }
}

#[test]
fn excerpts_are_safe_and_short() {
    for (bytes, max, want) in [
        (b"T=23.4".as_slice(), 20, "T=23.4"),
        ("T=23.4 °C".as_bytes(), 20, "T=23.4 °C"),
        (b"a\x1b[2J\n\0", 40, "a\\u{1b}[2J\\n\\u{0}"),
        (b"\xff\xb0x", 40, "\\xFF\\xB0x"),
        (b"a\\nb", 40, "a\\\\nb"),
        ("a\u{202e}b".as_bytes(), 40, "a\\u{202e}b"),
        (b"0123456789", 4, "0123…"),
        (b"0123", 4, "0123"),
        ("°°°".as_bytes(), 5, "°°…"),
        (b"abc", 0, "…"),
        (b"", 0, ""),
    ] {
        assert_eq!(printable(bytes, max), want, "{bytes:?}");
    }
}

/// Every piece of `chunks`, in order; `None` for a line too long.
fn split(chunks: &[&[u8]]) -> Vec<Option<(Vec<u8>, bool)>> {
    let mut lines = Lines::new();
    let mut out = Vec::new();
    for chunk in chunks {
        lines.push(chunk, |piece| {
            out.push(match piece {
                Piece::Line { bytes, first } => Some((bytes.to_vec(), first)),
                Piece::TooLong => None,
            });
        });
    }
    out
}

#[test]
fn lines_of_every_ending() {
    let texts = |bytes: &[u8]| -> Vec<String> {
        split(&[bytes]).into_iter().map(|piece| String::from_utf8(piece.unwrap().0).unwrap()).collect()
    };
    assert_eq!(texts(b"a\nb\n"), ["a", "b"]);
    assert_eq!(texts(b"a\r\nb\r\n"), ["a", "b"]);
    assert_eq!(texts(b"a\rb\r"), ["a", "b"]);
    assert_eq!(texts(b"a\n\nb\r\r\nc"), ["a", "", "b", ""]);
    assert_eq!(split(&[b"alf\r", b"\nwhole", b"\n"]), [Some((b"alf".into(), true)), Some((b"whole".into(), false))]);
}

#[test]
fn a_line_too_long_is_told_once_and_left_out() {
    let long = vec![b'x'; LINE_BYTES_MAX + 1];
    let just = vec![b'x'; LINE_BYTES_MAX];
    assert_eq!(split(&[&long, b"\na\n"]), [None, Some((b"a".into(), false))]);
    assert_eq!(split(&[&long, &long, &long, b"\r\na\n"]), [None, Some((b"a".into(), false))]);
    assert_eq!(split(&[&just, b"\n"]), [Some((just.clone(), true))]);
    assert_eq!(split(&[&just, b"y\na\n"]), [None, Some((b"a".into(), false))]);
    // Noise that never ends a line is held in bounds and told once.
    assert_eq!(split(&vec![[0xff_u8; 1000].as_slice(); 1000]), [None]);
}

/// Anything that may arrive, and things that nearly are messages.
fn payload() -> impl Strategy<Value = Vec<u8>> {
    let words = prop::sample::select(vec![
        "{",
        "}",
        "[",
        "]",
        "\"",
        ":",
        ",",
        ";",
        "=",
        " ",
        "\t",
        "\n",
        "\r",
        "\\",
        "nan",
        "1e999",
        "23.41",
        "-",
        "T",
        "/t",
        "air",
        "t=1",
        "i",
        "u",
        "\u{feff}",
        "°",
        "\0",
        "null",
        "true",
        "1700000000",
        "#",
    ]);
    prop_oneof![
        prop::collection::vec(any::<u8>(), 0..200),
        prop::collection::vec(words, 0..60).prop_map(|words| words.concat().into_bytes()),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn any_bytes_give_an_answer(payload in payload(), at in "[/a-zT0-9~]{0,4}", format in prop::sample::select(Format::ALL.to_vec())) {
        for unit in [TimeUnit::Seconds, TimeUnit::Milliseconds, TimeUnit::Rfc3339] {
            let recipe = timed(recipe(format, &at, "1"), "T", unit);
            let mut out = Vec::new();
            let answer = decode(&recipe, &payload, &mut out);
            prop_assert!(answer.is_err() || !out.is_empty());
            for decoded in out {
                prop_assert!(decoded.values.iter().any(Option::is_some));
                prop_assert!(decoded.values.iter().flatten().all(|value| !value.is_infinite()));
            }
        }
    }

    #[test]
    fn an_excerpt_never_passes_its_bound(bytes in prop::collection::vec(any::<u8>(), 0..300), max in 0_usize..200) {
        let text = printable(&bytes, max);
        prop_assert!(text.trim_end_matches('…').len() <= max);
        prop_assert!(!text.chars().any(char::is_control));
    }

    #[test]
    fn numbers_come_back_as_they_were_written(value in any::<f64>().prop_filter("finite", |v| v.is_finite())) {
        let rows = [
            (recipe(Format::Json, "/t", "/h"), format!("{{\"t\":{value:?}}}")),
            (recipe(Format::Number, "", ""), format!("{value:?}")),
            (recipe(Format::Pairs, "t", "h"), format!("t={value:?}")),
            (recipe(Format::Csv, "1", "2"), format!("{value:?},")),
        ];
        for (recipe, text) in rows {
            prop_assert_eq!(all(&recipe, &text).unwrap()[0].values[0], Some(value), "{}", text);
        }
    }

    #[test]
    fn lines_do_not_depend_on_how_the_bytes_are_cut(
        bytes in prop::collection::vec(prop::sample::select(vec![b'\r', b'\n', b'a', 0, 0xff]), 0..300),
        stretch in 0_usize..6000,
        cuts in prop::collection::vec(0_usize..6300, 0..20),
    ) {
        let mut bytes = bytes;
        let middle = bytes.len() / 2;
        bytes.splice(middle..middle, std::iter::repeat_n(b'z', stretch));
        let mut cuts: Vec<usize> = cuts.into_iter().map(|cut| cut.min(bytes.len())).collect();
        cuts.extend([0, bytes.len()]);
        cuts.sort_unstable();
        let chunks: Vec<&[u8]> = cuts.windows(2).map(|pair| &bytes[pair[0]..pair[1]]).collect();
        prop_assert_eq!(split(&chunks), split(&[&bytes]));
    }

    #[test]
    fn a_covering_filter_matches_all_the_other_does(
        wide in prop::collection::vec(prop::sample::select(vec!["a", "b", "+", ""]), 1..4),
        hash in any::<bool>(),
        narrow in prop::collection::vec(prop::sample::select(vec!["a", "b", "+", ""]), 1..4),
        topic in prop::collection::vec(prop::sample::select(vec!["a", "b", "", "$c"]), 1..5),
    ) {
        let wide = if hash { format!("{}/#", wide.join("/")) } else { wide.join("/") };
        let (narrow, topic) = (narrow.join("/"), topic.join("/"));
        if topic::covers(&wide, &narrow) && topic::matches(&narrow, &topic) {
            prop_assert!(topic::matches(&wide, &topic));
        }
    }
}
