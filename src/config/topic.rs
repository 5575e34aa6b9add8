//! MQTT topic filters: which are valid, and which two would take the same message.
//!
//! Source: MQTT 3.1.1 (OASIS standard, 2014), section 4.7, topic names and topic filters.

/// The longest a filter may be, bytes (MQTT 3.1.1, section 1.5.3).
const FILTER_BYTES_MAX: usize = 65_535;

/// Why `filter` is no topic filter, if it is none.
pub(super) fn filter_fault(filter: &str) -> Option<&'static str> {
    if filter.is_empty() {
        return Some("it is empty, expected an MQTT topic");
    }
    if filter.len() > FILTER_BYTES_MAX {
        return Some("it is longer than an MQTT topic may be, expected at most 65535 bytes");
    }
    if filter.chars().any(char::is_control) {
        return Some("it holds a control character, expected an MQTT topic without");
    }
    if filter.starts_with("$share/") {
        return Some("it is a shared subscription, which would lose samples to others; expected a plain topic");
    }
    let levels: Vec<&str> = filter.split('/').collect();
    for (position, level) in levels.iter().enumerate() {
        if level.contains('#') && (*level != "#" || position + 1 != levels.len()) {
            return Some("# must stand alone at the end, after a /; expected for example \"tent/#\"");
        }
        if level.contains('+') && *level != "+" {
            return Some("+ must stand alone between slashes; expected for example \"tent/+/air\"");
        }
    }
    None
}

/// Whether some topic is taken by both filters. Both must be valid.
pub(super) fn filters_overlap(one: &str, other: &str) -> bool {
    // A wildcard in front does not take the broker's own topics, which begin with $ (4.7.2).
    let wild = |filter: &str| filter.starts_with(['+', '#']);
    if (wild(one) && other.starts_with('$')) || (wild(other) && one.starts_with('$')) {
        return false;
    }
    let (mut one, mut other) = (one.split('/'), other.split('/'));
    loop {
        match (one.next(), other.next()) {
            // "a/#" also takes "a", its parent (4.7.1.2).
            (None, None) | (Some("#"), _) | (_, Some("#")) => return true,
            (None, _) | (_, None) => return false,
            (Some(first), Some(second)) if first != second && first != "+" && second != "+" => return false,
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filters_that_share_a_topic() {
        for (one, other, overlap) in [
            ("a/b", "a/b", true),
            ("a/b", "a/c", false),
            ("a/b", "a/b/c", false),
            ("a/b", "a/b/", false),
            ("a/+", "a/b", true),
            ("a/+", "a", false),
            ("a/+", "a/", true),
            ("a/+", "a/b/c", false),
            ("a/#", "a", true),
            ("a/#", "a/b/c", true),
            ("a/#", "b", false),
            ("#", "a/b", true),
            ("#", "/", true),
            ("+", "a", true),
            ("+", "/a", false),
            ("+/+", "/a", true),
            ("a/+/c", "+/b/c", true),
            ("a/+/c", "+/b/d", false),
            ("a/+/#", "a/b", true),
            ("a/+/#", "a", false),
            ("a/#", "+/b", true),
            ("a/b/#", "+/+/+", true),
            ("a/b/#", "+/c/+", false),
            ("#", "$SYS/uptime", false),
            ("+/uptime", "$SYS/uptime", false),
            ("$SYS/#", "$SYS/uptime", true),
            ("a/$b", "a/+", true),
            ("A/b", "a/b", false),
        ] {
            assert_eq!(filters_overlap(one, other), overlap, "{one} {other}");
            assert_eq!(filters_overlap(other, one), overlap, "{other} {one}");
        }
    }

    #[test]
    fn valid_filters() {
        for (filter, valid) in [
            ("a", true),
            ("/", true),
            ("a//b", true),
            ("+", true),
            ("#", true),
            ("a/+/b/#", true),
            ("$SYS/#", true),
            ("käse/luft", true),
            ("", false),
            ("a#", false),
            ("a/#/b", false),
            ("a/b+", false),
            ("a/+b", false),
            ("a\0b", false),
            ("$share/g/a", false),
        ] {
            assert_eq!(filter_fault(filter).is_none(), valid, "{filter}");
        }
        assert!(filter_fault(&"a".repeat(FILTER_BYTES_MAX + 1)).is_some());
    }
}
