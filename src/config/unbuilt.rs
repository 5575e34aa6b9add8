//! What the config may one day say, but this release does not do yet. Such a key is refused with
//! these sentences, never ignored. A release that builds one of them removes its row.

/// One key that is known and refused.
struct Row {
    /// The table it stands in; empty for the top.
    section: &'static str,
    /// The key.
    key: &'static str,
    /// The one value that is refused; empty: whatever it says.
    value: &'static str,
    /// What is not built, to stand before "not built yet".
    what: &'static str,
}

const fn row(section: &'static str, key: &'static str, what: &'static str) -> Row {
    Row { section, key, value: "", what }
}

const NOT_BUILT: &[Row] = &[row("site", "show", "showing other units is")];

/// Why `key` of `section` is refused in this release, if it is; `value` names the refused value
/// where only one is, else it is empty.
pub(super) fn refusal(section: &str, key: &str, value: &str) -> Option<String> {
    let row = NOT_BUILT.iter().find(|row| (row.section, row.key, row.value) == (section, key, value))?;
    Some(format!("{} not built yet in this release; take it out until a later one", row.what))
}
