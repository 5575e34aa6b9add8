//! A strict reader of metrics expositions, by the rules of OpenMetrics 1.0 and of the classic text
//! format 0.0.4. Gives the samples, or the first rule that is broken.

use std::collections::{BTreeMap, HashSet};

/// A sample's name and its labels in order.
pub type Key = (String, Labels);
type Labels = Vec<(String, String)>;

#[derive(Default)]
struct Family {
    name: String,
    kind: Option<String>,
    has_samples: bool,
}

/// Reads `text`; `open` means OpenMetrics.
pub fn read(text: &str, open: bool) -> Result<BTreeMap<Key, f64>, String> {
    let body = if open {
        let body = text.strip_suffix("# EOF\n").ok_or("end marker missing")?;
        if body.lines().any(|line| line == "# EOF") {
            return Err("text after the end marker".into());
        }
        body
    } else {
        text
    };
    if !body.is_empty() && !body.ends_with('\n') {
        return Err("the last line has no end".into());
    }
    let mut samples = BTreeMap::new();
    let mut closed = HashSet::new();
    let mut family = Family::default();
    for line in body.split_terminator('\n') {
        if line.ends_with('\r') || line.is_empty() {
            return Err(format!("carriage return or empty line: {line:?}"));
        }
        match line.strip_prefix("# ") {
            Some(about) => metadata(about, &mut family, &mut closed, open)?,
            None => {
                let (key, value) = sample(line)?;
                belongs(&key, value, &mut family, &mut closed, open)?;
                if samples.insert(key, value).is_some() {
                    return Err(format!("the same sample twice: {line}"));
                }
            }
        }
    }
    histograms(&samples)?;
    Ok(samples)
}

fn metadata(about: &str, family: &mut Family, closed: &mut HashSet<String>, open: bool) -> Result<(), String> {
    let mut words = about.splitn(3, ' ');
    let (what, name, rest) = (words.next().unwrap_or(""), words.next().ok_or("no name")?, words.next().unwrap_or(""));
    is_name(name)?;
    if family.name != name {
        begin(name, family, closed)?;
    }
    if family.has_samples {
        return Err(format!("metadata of {name} after its samples"));
    }
    match what {
        "TYPE" if family.kind.is_some() => return Err(format!("two TYPE lines for {name}")),
        "TYPE" => family.kind = Some(rest.to_owned()),
        "UNIT" if !open => return Err("UNIT in the classic format".into()),
        "UNIT" if !name.ends_with(&format!("_{rest}")) => return Err(format!("unit {rest} is no suffix of {name}")),
        "UNIT" => {}
        "HELP" => drop(unescaped(rest, if open { "\\n\"" } else { "\\n" })?),
        _ => return Err(format!("unknown comment {about}")),
    }
    Ok(())
}

fn begin(name: &str, family: &mut Family, closed: &mut HashSet<String>) -> Result<(), String> {
    closed.insert(std::mem::take(family).name);
    family.name = name.to_owned();
    if closed.contains(name) { Err(format!("family {name} interleaved")) } else { Ok(()) }
}

/// Whether the sample may stand in the family that is open (or opens one of its own).
fn belongs(key: &Key, value: f64, family: &mut Family, closed: &mut HashSet<String>, open: bool) -> Result<(), String> {
    let suffixes: &[&str] = match family.kind.as_deref() {
        Some("counter") if open => &["_total", "_created"],
        Some("histogram") => &["_bucket", "_sum", "_count"],
        Some("info") => &["_info"],
        _ => &[""],
    };
    if !suffixes.iter().any(|suffix| key.0 == format!("{}{suffix}", family.name)) {
        if family.kind.is_some() && key.0.starts_with(&family.name) {
            return Err(format!("{} may not stand in {}", key.0, family.name));
        }
        begin(&key.0, family, closed)?;
    }
    family.has_samples = true;
    let is_wrong = match family.kind.as_deref() {
        Some("counter" | "histogram") => value.is_nan() || value < 0.0,
        Some("info") => value != 1.0,
        Some("stateset") => value != 0.0 && value != 1.0,
        _ => false,
    };
    if is_wrong { Err(format!("{} may not be {value}", key.0)) } else { Ok(()) }
}

fn sample(line: &str) -> Result<(Key, f64), String> {
    let name_end = line.find(['{', ' ']).ok_or("no value")?;
    let name = &line[..name_end];
    is_name(name)?;
    let (labels, rest) = match line[name_end..].strip_prefix('{') {
        Some(inside) => labels(inside)?,
        None => (Vec::new(), &line[name_end..]),
    };
    let mut numbers = rest.strip_prefix(' ').ok_or("no space before the value")?.split(' ');
    let value = number(numbers.next().unwrap_or(""))?;
    numbers.next().map(number).transpose()?;
    if numbers.next().is_some() {
        return Err(format!("too much on a line: {line}"));
    }
    Ok(((name.to_owned(), labels), value))
}

fn number(text: &str) -> Result<f64, String> {
    let plain = text.bytes().all(|byte| byte.is_ascii_digit() || b"+-.eE".contains(&byte));
    match text {
        "+Inf" => Ok(f64::INFINITY),
        "-Inf" => Ok(f64::NEG_INFINITY),
        "NaN" => Ok(f64::NAN),
        _ if plain => text.parse().map_err(|_| format!("no number: {text}")),
        _ => Err(format!("no number: {text}")),
    }
}

/// Labels up to the closing brace, and what follows it.
fn labels(mut text: &str) -> Result<(Labels, &str), String> {
    let mut labels = Labels::new();
    loop {
        let (name, rest) = text.split_once("=\"").ok_or("a label without a value")?;
        is_name(name)?;
        let mut escaped = false;
        let end = rest.find(|letter| {
            let ends = letter == '"' && !escaped;
            escaped = letter == '\\' && !escaped;
            ends
        });
        let end = end.ok_or("a label's value has no end")?;
        if labels.iter().any(|(earlier, _)| earlier == name) {
            return Err(format!("label {name} twice"));
        }
        labels.push((name.to_owned(), unescaped(&rest[..end], "\\n\"")?));
        match rest[end + 1..].split_at_checked(1) {
            Some((",", more)) => text = more,
            Some(("}", after)) => return Ok((labels, after)),
            _ => return Err("neither comma nor brace after a label".into()),
        }
    }
}

fn unescaped(text: &str, allowed: &str) -> Result<String, String> {
    let mut out = String::new();
    let mut letters = text.chars();
    while let Some(letter) = letters.next() {
        if letter != '\\' {
            out.push(letter);
            continue;
        }
        let next = letters.next().filter(|next| allowed.contains(*next)).ok_or(format!("bad escape in {text:?}"))?;
        out.push(if next == 'n' { '\n' } else { next });
    }
    Ok(out)
}

fn is_name(name: &str) -> Result<(), String> {
    let begins = name.starts_with(|letter: char| letter.is_ascii_alphabetic() || letter == '_' || letter == ':');
    let goes_on = name.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'_' || byte == b':');
    if begins && goes_on { Ok(()) } else { Err(format!("no metric or label name: {name:?}")) }
}

/// Buckets rise with their bounds, and the last is the count.
fn histograms(samples: &BTreeMap<Key, f64>) -> Result<(), String> {
    for ((name, _), count) in samples.iter().filter(|((name, _), _)| name.ends_with("_count")) {
        let bucket = name.replace("_count", "_bucket");
        let mut buckets = Vec::new();
        for ((_, labels), value) in samples.iter().filter(|((name, _), _)| *name == bucket) {
            buckets.push((number(&labels[0].1)?, *value));
        }
        buckets.sort_by(|one, other| one.0.total_cmp(&other.0));
        let rising = buckets.windows(2).all(|pair| pair[0].1 <= pair[1].1);
        if !rising || buckets.last() != Some(&(f64::INFINITY, *count)) {
            return Err(format!("the buckets of {name} do not add up"));
        }
    }
    Ok(())
}
