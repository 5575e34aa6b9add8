//! MQTT topic filters, by OASIS MQTT 3.1.1 section 4.7: `+` is one level, `#` at the end is the level
//! before it and everything below, and a wildcard at the start matches no topic that begins with `$`.

/// Whether `filter` holds a wildcard.
pub fn is_wild(filter: &str) -> bool {
    filter.contains(['+', '#'])
}

/// Whether `filter` is a topic filter: not empty, no NUL, at most 65,535 bytes, `+` and `#` alone in
/// their level, `#` only in the last.
pub fn is_valid(filter: &str) -> bool {
    let mut levels = filter.split('/').peekable();
    let mut sound = !filter.is_empty() && filter.len() <= usize::from(u16::MAX) && !filter.contains('\0');
    while let Some(level) = levels.next() {
        sound &= !is_wild(level) || level == "+" || (level == "#" && levels.peek().is_none());
    }
    sound
}

/// Whether a message published to `topic` is one that `filter` (a valid one) asks for.
pub fn matches(filter: &str, topic: &str) -> bool {
    if topic.starts_with('$') && filter.starts_with(['+', '#']) {
        return false;
    }
    let mut topic = topic.split('/');
    for level in filter.split('/') {
        match (level, topic.next()) {
            ("#", _) => return true,
            ("+", Some(_)) => {}
            (level, Some(found)) if level == found => {}
            _ => return false,
        }
    }
    topic.next().is_none()
}

/// Whether `wide` asks for everything that `narrow` asks for, both valid filters. A broker may send a
/// message twice to a client whose filters overlap, so a covered one is not subscribed.
pub fn covers(wide: &str, narrow: &str) -> bool {
    if narrow.starts_with('$') && wide.starts_with(['+', '#']) {
        return false;
    }
    let mut narrow = narrow.split('/');
    for level in wide.split('/') {
        match (level, narrow.next()) {
            ("#", _) => return true,
            (_, Some("#")) => return false,
            ("+", Some(_)) => {}
            (level, Some(found)) if level == found => {}
            _ => return false,
        }
    }
    narrow.next().is_none()
}
