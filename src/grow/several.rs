//! Several tubs in one word: `A1..A6` is A1, A2 … A6.
//!
//! In: what was typed. Out: the names. A word without two points is one name.

use super::wrong::Wrong;

/// Tubs spawned by one command; more is a slip of the finger.
pub const TUBS_MAX: usize = 100;

/// The names that `words` stand for, in order.
///
/// # Errors
/// [`Wrong::Word`] for a range that is none, or a name twice, or too many.
pub fn names(words: &[String]) -> Result<Vec<String>, Wrong> {
    let mut all: Vec<String> = Vec::new();
    for word in words {
        for name in expand(word)? {
            if all.contains(&name) {
                return Err(Wrong::Word(format!("{name} is named twice; name each tub once")));
            }
            all.push(name);
        }
    }
    if all.len() > TUBS_MAX {
        return Err(Wrong::Word(format!("{} tubs at once cannot be meant; at most {TUBS_MAX}", all.len())));
    }
    Ok(all)
}

fn expand(word: &str) -> Result<Vec<String>, Wrong> {
    let Some((first, last)) = word.split_once("..") else { return Ok(vec![word.to_owned()]) };
    let wrong =
        || Wrong::Word(format!("{word} is no range of tubs; write A1..A6, the same letters and rising numbers"));
    let ((letters, from), (other, to)) = (split(first).ok_or_else(wrong)?, split(last).ok_or_else(wrong)?);
    let (Ok(low), Ok(high)) = (from.parse::<usize>(), to.parse::<usize>()) else { return Err(wrong()) };
    if letters != other || low > high {
        return Err(wrong());
    }
    if high - low >= TUBS_MAX {
        return Err(Wrong::Word(format!(
            "{word}: {} tubs at once cannot be meant; at most {TUBS_MAX}",
            high - low + 1
        )));
    }
    // A01..A12 keeps its noughts.
    let width = if from.starts_with('0') { from.len() } else { 0 };
    Ok((low..=high).map(|number| format!("{letters}{number:0width$}")).collect())
}

/// A name's letters and the number at its end.
fn split(name: &str) -> Option<(&str, &str)> {
    let digits = name.bytes().rev().take_while(u8::is_ascii_digit).count();
    (digits > 0).then(|| name.split_at(name.len() - digits))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn said(word: &str) -> Result<String, Wrong> {
        names(&[word.to_owned()]).map(|names| names.join(" "))
    }

    #[test]
    fn ranges() {
        for (word, wanted) in
            [("A1", "A1"), ("A1..A3", "A1 A2 A3"), ("b09..b11", "b09 b10 b11"), ("3..5", "3 4 5"), ("x2..x2", "x2")]
        {
            assert_eq!(said(word).unwrap(), wanted);
        }
        for word in ["A3..A1", "A1..B3", "A..B", "A1..", "..A3", "A1..A101", "A1..A99999999999999999999"] {
            assert!(said(word).is_err(), "{word}");
        }
        assert!(names(&["A1..A3".to_owned(), "A2".to_owned()]).is_err());
    }
}
