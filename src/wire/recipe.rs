//! What a probe's messages look like, and what decoding gives.

use super::checksum::Checksum;
use crate::climate::{Stamp, quantity::Values};

/// How a message is written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Format {
    /// A JSON object; fields by JSON Pointer (RFC 6901).
    #[default]
    Json,
    /// One bare number.
    Number,
    /// `T=23.41 H=88.2`, `T:23.41;H:88.2`.
    Pairs,
    /// Comma- or semicolon-separated; fields by column number from 1.
    Csv,
    /// Line protocol; fields by field key.
    LineProtocol,
}

impl Format {
    /// All formats.
    pub const ALL: [Format; 5] = [Format::Json, Format::Number, Format::Pairs, Format::Csv, Format::LineProtocol];

    /// The word used in config.
    pub fn word(self) -> &'static str {
        match self {
            Format::Json => "json",
            Format::Number => "number",
            Format::Pairs => "pairs",
            Format::Csv => "csv",
            Format::LineProtocol => "line-protocol",
        }
    }
}

/// The unit of a time stamp in a message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeUnit {
    /// Seconds since 1970, fractions allowed.
    Seconds,
    /// Milliseconds since 1970.
    Milliseconds,
    /// RFC 3339 text.
    Rfc3339,
}

/// Where a message's own time is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TimeField {
    /// JSON Pointer, key, column number or field key, by the format.
    pub at: String,
    /// How it is written.
    pub unit: TimeUnit,
}

/// How to decode one probe's messages.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Recipe {
    /// How they are written.
    pub format: Format,
    /// Where each quantity is, by `Quantity::index`: JSON Pointer, key, column number (from 1) or
    /// field key. For `number` the text is ignored.
    pub reads: [Option<String>; 4],
    /// The message is this probe's only if every one of these fields has this text.
    pub select: Vec<(String, String)>,
    /// Where its own time is, if it sends one. Line protocol carries its own (nanoseconds).
    pub time: Option<TimeField>,
    /// How its messages are checked, where they carry a checksum.
    pub checksum: Option<Checksum>,
    /// The names of a CSV row's columns, where the config gives them: a row of just these is a header.
    pub columns: Vec<String>,
}

/// One probe message, read. At least one value is present.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Decoded {
    /// The message's own time, if it carries one.
    pub time: Option<Stamp>,
    /// What it reads; a field that was there but was no number is NaN.
    pub values: Values,
}

/// Why a message, a line or bytes were not taken. The word is the metric's `reason`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Refusal {
    /// Not text in UTF-8.
    NotText,
    /// Longer than a line or message may be.
    TooLong,
    /// Not written in the probe's format.
    Malformed,
    /// The format is right, but none of the fields asked for is there.
    FieldMissing,
    /// It carries a time that cannot be read.
    BadTime,
    /// No probe's topic or `select` takes it.
    NobodyReads,
    /// The first piece after opening a port, cut by the opening.
    HalfLine,
    /// An empty line.
    Empty,
    /// Already stored: the same probe and time.
    Duplicate,
    /// The queue in front of the store was full, and the source cannot send again.
    Overflow,
    /// Its checksum does not fit it.
    Checksum,
    /// Who was asked did not answer in time.
    NoAnswer,
    /// Who was asked answered that it will not.
    DeviceRefused,
    /// A client of an intake that was sent away.
    NotLetIn,
    /// The names of a CSV row's columns; nothing is missed by it.
    Header,
}

impl Refusal {
    /// All refusals.
    pub const ALL: [Refusal; 15] = [
        Refusal::NotText,
        Refusal::TooLong,
        Refusal::Malformed,
        Refusal::FieldMissing,
        Refusal::BadTime,
        Refusal::NobodyReads,
        Refusal::HalfLine,
        Refusal::Empty,
        Refusal::Duplicate,
        Refusal::Overflow,
        Refusal::Checksum,
        Refusal::NoAnswer,
        Refusal::DeviceRefused,
        Refusal::NotLetIn,
        Refusal::Header,
    ];

    /// The word used in metrics and logs.
    pub fn word(self) -> &'static str {
        match self {
            Refusal::NotText => "not-text",
            Refusal::TooLong => "too-long",
            Refusal::Malformed => "malformed",
            Refusal::FieldMissing => "field-missing",
            Refusal::BadTime => "bad-time",
            Refusal::NobodyReads => "nobody-reads",
            Refusal::HalfLine => "half-line",
            Refusal::Empty => "empty",
            Refusal::Duplicate => "duplicate",
            Refusal::Overflow => "overflow",
            Refusal::Checksum => "checksum",
            Refusal::NoAnswer => "no-answer",
            Refusal::DeviceRefused => "device-refused",
            Refusal::NotLetIn => "not-let-in",
            Refusal::Header => "header",
        }
    }
}
