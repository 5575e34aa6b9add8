//! Words and small values: the nearest valid word, names, durations.
//!
//! In: text as it stands in the config. Out: its meaning, or why it has none. Pure.

/// The longest text quoted back in a message, characters.
const QUOTED_MAX: usize = 40;

/// The longest name, characters: names stand in tables, topics and links.
const NAME_MAX: usize = 64;

/// Words longer than this are no slip of a word of ours, and not worth comparing, bytes.
const COMPARED_MAX: usize = 200;

/// `text` in quotes, made printable, cut where it is long.
pub(super) fn quoted(text: &str) -> String {
    let mut cut: String = text.chars().take(QUOTED_MAX).flat_map(char::escape_debug).collect();
    if text.chars().nth(QUOTED_MAX).is_some() {
        cut.push('…');
    }
    format!("\"{cut}\"")
}

/// The word of `words` that `text` was most likely meant to be: equal but for case, few slips away, or
/// else one that holds it or is held by it.
pub(super) fn nearest<'w>(text: &str, words: impl IntoIterator<Item = &'w str>) -> Option<&'w str> {
    if text.is_empty() || text.len() > COMPARED_MAX {
        return None;
    }
    let text = text.to_lowercase();
    let (mut best, mut akin) = (None, None);
    for word in words {
        let lower = word.to_lowercase();
        let far = strsim::damerau_levenshtein(&text, &lower);
        if best.is_none_or(|(_, least)| far < least) {
            best = Some((word, far));
        }
        let holds = |long: &str, short: &str| short.chars().count() >= 3 && long.contains(short);
        if akin.is_none() && (holds(&lower, &text) || holds(&text, &lower)) {
            akin = Some(word);
        }
    }
    let (best, far) = best?;
    // More than a third of the letters wrong is a guess, not a slip; short words get one letter.
    if far <= (best.chars().count().max(text.chars().count()) / 3).max(1) { Some(best) } else { akin }
}

/// `; did you mean "word"?`, or nothing where no word is near.
pub(super) fn did_you_mean<'w>(text: &str, words: impl IntoIterator<Item = &'w str>) -> String {
    nearest(text, words).map_or(String::new(), |word| format!("; did you mean \"{word}\"?"))
}

/// `a`, `a or b`, `a, b or c`.
pub(super) fn one_of<W: AsRef<str>>(words: &[W]) -> String {
    match words {
        [] => "nothing".to_owned(),
        [only] => only.as_ref().to_owned(),
        [rest @ .., last] => {
            let rest: Vec<&str> = rest.iter().map(AsRef::as_ref).collect();
            format!("{} or {}", rest.join(", "), last.as_ref())
        }
    }
}

/// Why `name` cannot be a name, if it cannot: names stand in topics, links and file names.
pub(super) fn name_fault(name: &str) -> Option<&'static str> {
    if name.is_empty() {
        Some("it is empty, expected a name")
    } else if name.chars().count() > NAME_MAX {
        Some("it is longer than 64 characters, expected a shorter name")
    } else if name.trim() != name {
        Some("it begins or ends with a space, expected a name without")
    } else if name.chars().any(|letter| letter.is_control() || matches!(letter, '/' | '+' | '#')) {
        Some("it holds a /, +, # or control character, expected a name without")
    } else {
        None
    }
}

/// The units of a duration and their milliseconds, longest first.
const UNITS: [(&str, i64); 5] = [("d", 86_400_000), ("h", 3_600_000), ("min", 60_000), ("s", 1_000), ("ms", 1)];

/// A duration as the config and the commands write it, in milliseconds: a whole number and one unit
/// of `ms`, `s`, `min`, `h`, `d`, without a space: `"10s"`, `"5min"`, `"2h"`, `"14d"`. Zero is
/// taken; `None` for anything else, too long for an `i64` included.
pub fn duration_ms(text: &str) -> Option<i64> {
    let digits = text.find(|letter: char| !letter.is_ascii_digit())?;
    let (number, unit) = text.split_at(digits);
    let (_, ms) = UNITS.into_iter().find(|(word, _)| *word == unit)?;
    number.parse::<i64>().ok()?.checked_mul(ms)
}

/// A duration in the same writing, in the largest unit that leaves a whole number: `"90min"`.
pub fn show_duration(ms: i64) -> String {
    let (unit, size) = UNITS.into_iter().find(|(_, size)| ms != 0 && ms % size == 0).unwrap_or(("s", 1_000));
    format!("{}{unit}", ms / size)
}

/// What the writer of a faulty duration probably meant: another word for a unit, a space, a point.
pub(super) fn meant_duration(text: &str) -> Option<String> {
    let text = text.trim().to_lowercase();
    let digits = text.find(|letter: char| !letter.is_ascii_digit())?;
    let (number, unit) = text.split_at(digits);
    let unit = match unit.trim() {
        "sec" | "secs" | "second" | "seconds" | "s" => "s",
        "m" | "mins" | "minute" | "minutes" | "min" => "min",
        "hr" | "hrs" | "hour" | "hours" | "h" => "h",
        "day" | "days" | "d" => "d",
        "msec" | "millisecond" | "milliseconds" | "ms" => "ms",
        _ => return None,
    };
    let meant = format!("{number}{unit}");
    duration_ms(&meant).map(|_| meant)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn durations_have_one_whole_number_and_one_unit() {
        for (text, ms) in [
            ("500ms", Some(500)),
            ("10s", Some(10_000)),
            ("5min", Some(300_000)),
            ("2h", Some(7_200_000)),
            ("14d", Some(1_209_600_000)),
            ("0s", Some(0)),
            ("5m", None),
            ("5", None),
            ("s", None),
            ("", None),
            ("-5s", None),
            ("1.5h", None),
            ("5 s", None),
            ("1h30min", None),
            ("99999999999999999999d", None),
            ("999999999999999d", None),
        ] {
            assert_eq!(duration_ms(text), ms, "{text}");
        }
        for text in ["500ms", "10s", "5min", "2h", "14d", "0s", "90s"] {
            assert_eq!(show_duration(duration_ms(text).unwrap_or(-1)), text);
        }
        for (text, meant) in [("5m", Some("5min")), ("2 hours", Some("2h")), ("1.5h", None), ("soon", None)] {
            assert_eq!(meant_duration(text).as_deref(), meant, "{text}");
        }
    }

    #[test]
    fn the_nearest_word_is_a_slip_away_or_none() {
        let words = ["temperature", "humidity", "co2", "battery"];
        for (text, word) in [
            ("temprature", Some("temperature")),
            ("Humidity", Some("humidity")),
            ("co", Some("co2")),
            ("pressure", None),
            ("temp", Some("temperature")),
            ("battery_pct", Some("battery")),
            ("", None),
            ("x", None),
        ] {
            assert_eq!(nearest(text, words), word, "{text}");
        }
    }

    #[test]
    fn quoting_cuts_and_makes_printable() {
        assert_eq!(quoted("a\nb"), "\"a\\nb\"");
        assert_eq!(quoted(&"x".repeat(50)), format!("\"{}…\"", "x".repeat(40)));
    }
}
