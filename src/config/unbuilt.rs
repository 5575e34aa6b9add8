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

const NOT_BUILT: [Row; 19] = [
    row("site", "altitude", "the boiling point at an altitude is"),
    row("site", "show", "showing other units is"),
    Row { section: "store", key: "keep_raw", value: "a duration", what: "throwing old samples away is" },
    row("", "backup", "backups by the daemon are"),
    row("status", "address", "links in messages and labels are"),
    row("status", "cert_file", "TLS on the status page is"),
    row("status", "key_file", "TLS on the status page is"),
    row("", "intake", "taking in probes without a broker is"),
    Row { section: "port", key: "protocol", value: "modbus", what: "Modbus is" },
    row("probe", "unit", "Modbus is"),
    Row { section: "probe", key: "reads", value: "a register table", what: "Modbus is" },
    row("messenger", "mail", "mail is"),
    row("messenger", "publish", "telling over MQTT is"),
    row("messenger", "run", "running a program is"),
    row("messenger", "hush", "hushing at night is"),
    row("messenger", "again_every", "telling again is"),
    row("messenger", "only_after", "telling only after a while is"),
    row("", "morning", "the morning message is"),
    row("", "sign_of_life", "the sign of life is"),
];

/// Why `key` of `section` is refused in this release, if it is; `value` names the refused value
/// where only one is, else it is empty.
pub(super) fn refusal(section: &str, key: &str, value: &str) -> Option<String> {
    let row = NOT_BUILT.iter().find(|row| (row.section, row.key, row.value) == (section, key, value))?;
    Some(format!("{} not built yet in this release; take it out until a later one", row.what))
}
