//! Reports and labels through the built program: self-contained, well formed, and what they say.
#![allow(clippy::manual_is_multiple_of, clippy::nonminimal_bool)] // masks and finders as the standard of the code writes them
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;
mod season;

use season::{Season, at};

/// A tub from pasteurised coir to the second flush, with a gap, a hot spell and a wild reading.
fn grown() -> Season {
    let season = Season::begin();
    let air = |hour: f64| 21.0 + 1.5 * (hour / 24.0 * std::f64::consts::TAU).sin();
    season.write_all("shelf-air", 0.0, 24.0 * 14.0, |hour| [Some(air(hour)), Some(70.0), Some(1500.0), None]);
    season.write("core-0", 0.0, 24.0 * 5.0, |hour| air(hour) + 4.0 * (hour / 120.0));
    season.write("core-0", 24.0 * 6.0, 24.0 * 14.0, |hour| {
        let over = 4.0 * (1.0 - (hour - 144.0) / 192.0).max(0.0);
        if (hour - 200.0).abs() < 0.05 { 85.0 } else { air(hour) + over }
    });
    season.write_all("tent-air", 24.0 * 14.0, 24.0 * 34.0, |hour| {
        [Some(15.0 + (hour / 24.0 * std::f64::consts::TAU).sin()), Some(91.0), Some(800.0), None]
    });
    season.write_every("core-1", season::stamp(-5.0), season::stamp(-1.0), 60_000, |hour| {
        let warm = if hour < -4.0 { 60.0 + 10.0 * (hour + 5.0) } else { 70.0 - 15.5 * (hour + 4.0) };
        [Some(warm), None, None, None]
    });
    let start = ["pasteurise", "coir-1", "--probe", "core-1", "--hold-at", "60C", "--hold-for", "1h", "--at"];
    season.ok(&[&start[..], &[&at(-5.0)]].concat());
    season.ok(&["pasteurise", "coir-1", "--end", "--at", &at(-1.0)]);
    let more = [
        "--core",
        "core-0",
        "--run",
        "coir-1",
        "--dry-bulk",
        "650g",
        "--dry-grain",
        "400g",
        "--grain",
        "2L",
        "--bulk",
        "2L",
    ];
    season.spawn("A1", 0.0, &more);
    for (command, hours) in [("looked", 200.0), ("colonised", 24.0 * 13.0)] {
        season.ok(&[command, "A1", "--at", &at(hours)]);
    }
    season.ok(&["open", "A1", "--to", "tent", "--at", &at(24.0 * 14.0)]);
    season.ok(&["pins", "A1", "--at", &at(24.0 * 18.0)]);
    season.ok(&["harvest", "A1", "--fresh", "520g", "--dry", "50g", "--at", &at(24.0 * 22.0)]);
    season.ok(&["rest", "A1", "--at", &at(24.0 * 23.0)]);
    season.ok(&["harvest", "A1", "--fresh", "210g", "--at", &at(24.0 * 33.0)]);
    season.ok(&["note", "A1", "--at", &at(24.0 * 33.0), "<script>alert(1)</script> & fine"]);
    season
}

/// Keeps a paper where the environment asks for it, to be looked at.
fn keep(season: &Season, name: &str) {
    if let Ok(folder) = std::env::var("TUBWATCH_KEEP_PAPERS") {
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::copy(season.site.folder.path().join(name), std::path::Path::new(&folder).join(name)).unwrap();
    }
}

/// Nothing is fetched from anywhere, and nothing runs.
fn assert_self_contained(page: &str) {
    for outside in ["<script", "src=", "href=", "url(", "@import", "<link", "<iframe", "<object"] {
        assert!(!page.contains(outside), "{outside}");
    }
    for (open, close) in [("<svg", "</svg>"), ("<table", "</table>"), ("<figure", "</figure>"), ("<tr", "</tr>")] {
        assert_eq!(page.matches(open).count(), page.matches(close).count(), "{open}");
    }
}

#[test]
fn one_tub_on_one_page() {
    let season = grown();
    let out = season.site.folder.path().join("a1.html");
    season.ok(&["report", "A1", "--out", out.to_str().unwrap()]);
    keep(&season, "a1.html");
    let page = std::fs::read_to_string(&out).unwrap();
    assert_self_contained(&page);
    assert!(page.contains("&lt;script&gt;alert(1)"), "the note is text");
    for part in [
        "Temperature, °C",
        "Humidity of the air, %",
        "CO2 of the air, ppm",
        "Degree-hours against the requirement",
        "Core over air, °C",
        "heat run coir-1: held where measured",
        "reference 60 °C, z 6.95 °C",
        "by the handbook",
        "Pleurotus ostreatus",
        "730 g fresh in all",
        "1050 g of dry bulk+grain",
        "not believed",
        "Crosses",
        "Never eat a mushroom you cannot identify",
    ] {
        assert!(page.contains(part), "{part} is missing");
    }
    // Two figures computed by hand: 730 g of 1,050 g, and of 520 g the share.
    assert!(page.contains("69.5 %") && page.contains(">71<"), "biological efficiency and flush share");
    assert_eq!(page.matches("<svg").count(), 5);
    assert!(page.contains("stroke-dasharray=\"4 2.5\""), "air is dashed");
    // The day without a core is a break in its line: more than one stroke begins.
    let line = page.split("<title>core</title>").next().unwrap().rsplit("d=\"").next().unwrap().to_owned();
    assert!(line.matches('M').count() >= 2, "{}", &line[..80.min(line.len())]);
    let refused = season.site.command(&["report", "A9", "--out", out.to_str().unwrap()]);
    assert_eq!(refused.status.code(), Some(2));
    let refused = season.site.command(&["report", "A1", "--out", "/no/such/folder/a.html"]);
    assert_eq!(refused.status.code(), Some(1));
}

#[test]
fn several_tubs_side_by_side() {
    let season = grown();
    for (number, warm) in [(1, 19.0), (2, 21.0), (3, 23.0), (4, 24.0)] {
        let (name, probe) = (format!("B{number}"), format!("core-{}", number + 1));
        season.steady(&probe, 0.0, 24.0 * 14.0, warm);
        season.spawn(&name, 0.0, &["--core", &probe, "--dry-bulk", "1kg"]);
        season.ok(&["colonised", &name, "--at", &at(24.0 * 13.0)]);
        season.ok(&["open", &name, "--to", "tent", "--at", &at(24.0 * 14.0)]);
        let fresh = format!("{}g", 300 + number * 100);
        season.ok(&["harvest", &name, "--fresh", &fresh, "--at", &at(24.0 * 22.0)]);
    }
    let out = season.site.folder.path().join("compare.html");
    season.ok(&["report", "--compare", "A1", "B1", "B2", "B3", "B4", "--out", out.to_str().unwrap()]);
    keep(&season, "compare.html");
    let page = std::fs::read_to_string(&out).unwrap();
    assert_self_contained(&page);
    assert!(page.contains("5 tubs side by side"));
    assert!(page.contains("n = 5. It proves no cause."), "a correlation with its n and the sentence");
    assert_eq!(page.matches("Rank correlation").count(), page.matches("It proves no cause.").count());
    let by_culture = ["report", "--compare", "--culture", "winter-oyster", "--out", out.to_str().unwrap()];
    season.ok(&by_culture);
    assert!(std::fs::read_to_string(&out).unwrap().contains("5 tubs side by side"));
    for words in [
        vec!["report", "--compare", "A1", "--out", "x.html"],
        vec!["report", "--compare", "--culture", "no-such", "--out", "x.html"],
        vec!["report", "--out", "x.html"],
    ] {
        assert_eq!(season.site.command(&words).status.code(), Some(2), "{words:?}");
    }
}

#[test]
fn the_label_carries_the_tub_and_its_address() {
    let season = Season::begin();
    season.spawn("A1", 24.0 * 40.0, &[]);
    let out = season.site.folder.path().join("a1.svg");
    season.ok(&["label", "A1", "--out", out.to_str().unwrap()]);
    keep(&season, "a1.svg");
    let label = std::fs::read_to_string(&out).unwrap();
    let shown = season.show("A1");
    let id = shown["tub"]["id"].as_str().unwrap();
    for part in ["winter-oyster", "Pleurotus ostreatus", "do not open before", id, "spawned "] {
        assert!(label.contains(part), "{part}: {label}");
    }
    assert_eq!(read_code(&label), format!("http://192.0.2.7:8750/tub/{id}"));
    // Without an address there is no code, and it is said.
    let config = std::fs::read_to_string(season.site.config()).unwrap();
    season.site.write_config(&config.replace("address = \"http://192.0.2.7:8750\"\n", ""));
    let said = season.ok(&["label", "A1", "--out", out.to_str().unwrap()]);
    assert!(said.contains("no code"), "{said}");
}

/// What a telephone would read: the modules of the label's code, without correcting errors.
fn read_code(label: &str) -> String {
    let path = label.rsplit("d=\"").next().unwrap().split('"').next().unwrap();
    let mut dark = std::collections::HashSet::new();
    for module in path.split('M').filter(|part| !part.is_empty()) {
        let (x, rest) = module.split_once(' ').unwrap();
        dark.insert((x.parse::<usize>().unwrap(), rest.split('h').next().unwrap().parse::<usize>().unwrap()));
    }
    let side = dark.iter().map(|(x, _)| x + 1).max().unwrap();
    let version = (side - 17) / 4;
    // Format information beside the upper left finder: bits 14..10 say correction level and mask (ISO/IEC 18004, 7.9).
    let format: u32 = (0..5).fold(0, |bits, place| bits << 1 | u32::from(dark.contains(&(place, 8))));
    let mask = (format ^ 0b10101) & 0b111;
    let is_masked = |x: usize, y: usize| match mask {
        0 => (x + y) % 2 == 0,
        1 => y % 2 == 0,
        2 => x % 3 == 0,
        3 => (x + y) % 3 == 0,
        4 => (y / 2 + x / 3) % 2 == 0,
        5 => x * y % 2 + x * y % 3 == 0,
        6 => (x * y % 2 + x * y % 3) % 2 == 0,
        _ => ((x + y) % 2 + x * y % 3) % 2 == 0,
    };
    // One alignment pattern in versions 2 to 6, centred seven modules from the lower right corner.
    assert!((2..=6).contains(&version), "version {version}");
    let centre = side - 7;
    let is_function = |x: usize, y: usize| {
        (x < 9 && y < 9)
            || (x < 9 && y >= side - 8)
            || (x >= side - 8 && y < 9)
            || x == 6
            || y == 6
            || (x.abs_diff(centre) <= 2 && y.abs_diff(centre) <= 2)
    };
    let mut bits = Vec::new();
    let (mut right, mut upward) = (side - 1, true);
    loop {
        for step in 0..side {
            let y = if upward { side - 1 - step } else { step };
            for x in [right, right - 1] {
                if !is_function(x, y) {
                    bits.push(dark.contains(&(x, y)) ^ is_masked(x, y));
                }
            }
        }
        upward = !upward;
        if right < 2 {
            break;
        }
        right -= if right == 8 { 3 } else { 2 };
        if right == 0 {
            break;
        }
    }
    let words: Vec<u8> =
        bits.chunks_exact(8).map(|byte| byte.iter().fold(0, |value, bit| value << 1 | u8::from(*bit))).collect();
    // Blocks of correction level M: one for versions 1 to 3, two for 4 and 5, four for 6, read in turns (table 9).
    let (blocks, data) = match version {
        2 => (1, 28),
        3 => (1, 44),
        4 => (2, 32),
        5 => (2, 43),
        _ => (4, 27),
    };
    let plain: Vec<u8> =
        (0..blocks).flat_map(|block| (0..data).map(move |place| place * blocks + block)).map(|at| words[at]).collect();
    segments(&plain)
}

/// The text of the segments in the data words: numbers, capitals and bytes take turns to save room (7.4).
fn segments(words: &[u8]) -> String {
    const CAPITALS: &[u8] = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:";
    let mut at = 0;
    let mut take = |count: usize| {
        let bits = (at..at + count).fold(0, |value, bit| value << 1 | usize::from(words[bit / 8] >> (7 - bit % 8) & 1));
        at += count;
        bits
    };
    let mut text = String::new();
    loop {
        match take(4) {
            0b0100 => {
                let length = take(8);
                text.extend((0..length).map(|_| char::from(take(8) as u8)));
            }
            0b0001 => {
                let length = take(10);
                for group in (0..length).collect::<Vec<_>>().chunks(3) {
                    let digits = group.len();
                    text.push_str(&format!("{:0digits$}", take([0, 4, 7, 10][digits])));
                }
            }
            0b0010 => {
                let length = take(9);
                for group in (0..length).collect::<Vec<_>>().chunks(2) {
                    let pair = take(if group.len() == 2 { 11 } else { 6 });
                    if group.len() == 2 {
                        text.push(char::from(CAPITALS[pair / 45]));
                    }
                    text.push(char::from(CAPITALS[pair % 45]));
                }
            }
            _ => return text,
        }
    }
}
