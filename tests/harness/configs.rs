//! Configs that many tests share: a site, a broker, its probes with times of their own, a shelf.

/// One core probe, `core`, that sends `{"ts": ms, "t": °C}` to the topic `core`; commits within 100 ms.
pub fn one_core(port: u16, every: &str, more: &str) -> String {
    let core = probe("core", "core", every, r#"temperature = "/t""#);
    site("cellar", "Etc/UTC", "100ms", port) + &core + "[[space]]\nname = \"shelf\"\n" + more
}

/// An air probe, `shelf-air` on the topic `shelf/air`, and a core probe, `core-a1` on `shelf/core/a1`.
pub fn shelf(name: &str, commit_every: &str, port: u16, every: &str, more: &str) -> String {
    let air = probe("shelf-air", "shelf/air", every, r#"temperature = "/t", humidity = "/h""#);
    let core = probe("core-a1", "shelf/core/a1", every, r#"temperature = "/t""#);
    let space = "[[space]]\nname = \"shelf\"\nair = [\"shelf-air\"]\nheated = true\n";
    site(name, "Europe/Lisbon", commit_every, port) + &air + &core + space + more
}

fn site(name: &str, timezone: &str, commit_every: &str, port: u16) -> String {
    format!(
        r#"
[site]
name = "{name}"
timezone = "{timezone}"
[store]
path = "state"
commit_every = "{commit_every}"
[status]
listen = "127.0.0.1:0"
[[broker]]
name = "house"
url = "mqtt://127.0.0.1:{port}"
"#
    )
}

fn probe(name: &str, topic: &str, every: &str, reads: &str) -> String {
    format!(
        r#"
[[probe]]
name = "{name}"
from = "house"
topic = "{topic}"
format = "json"
every = "{every}"
reads = {{ {reads} }}
time = {{ at = "/ts", unit = "ms" }}
"#
    )
}
