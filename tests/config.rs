//! The config: the shipped example, every table and key, faults with their places, and any text at all.

#![allow(clippy::unwrap_used, clippy::panic)]

use std::path::{Path, PathBuf};

use proptest::prelude::*;
use tubwatch::cli::check::check;
use tubwatch::climate::degrees::Degrees;
use tubwatch::climate::{Quantity, Stamp};
use tubwatch::config::plan::{Hush, Precision, Privacy, Way};
use tubwatch::config::{Cause, Faults, Plan, cultures, load, parse};
use tubwatch::grow::culture::{Limit, Requirement};
use tubwatch::grow::tub::Stage;
use tubwatch::watch::alert::Severity;
use tubwatch::wire::Format;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// A config of its own in the fixtures' folder, so that it can name the files there.
fn parsed(text: &str) -> Result<Plan, Faults> {
    parse(text, &root().join("fixtures/config/here.toml"))
}

const START: &str = "[site]\nname = \"cellar\"\ntimezone = \"Europe/Lisbon\"\n[store]\npath = \"state\"\n";

fn printed(plan: &Plan) -> String {
    let mut out = Vec::new();
    check(plan, &[], Stamp(0), &mut out).unwrap();
    String::from_utf8(out).unwrap()
}

#[test]
fn the_shipped_example_is_right() {
    let plan = load(&root().join("config/tubwatch.toml")).unwrap_or_else(|faults| panic!("{faults}"));
    assert_eq!(plan.site, "cellar");
    assert_eq!(
        plan.setup.sources.iter().map(|s| (s.name.as_str(), s.kind)).collect::<Vec<_>>(),
        [("house", "broker"), ("usb", "port")]
    );
    assert_eq!((plan.setup.spaces.len(), plan.probes.len(), plan.messengers.len()), (2, 4, 2));
    assert_eq!(plan.brokers[0].client, "tubwatch-cellar");
    assert_eq!(plan.store.folder, root().join("config/../state"));
    let text = printed(&plan);
    for part in [
        "house: broker mqtt://127.0.0.1:1883, client tubwatch-cellar",
        "usb: port /dev/serial/by-id/usb-example-board-00, 115200 baud",
        "core-a1: temperature from usb, as json where /id is a1, every 10s",
        "shelf: air from shelf-air, heated",
        "temperature at least 10 °C, at most 19 °C (told after 2h), critical from 28 °C",
        "phone: webhook at example.invalid, warning and worse",
        "status page on http://127.0.0.1:8750/, for this machine alone",
    ] {
        assert!(text.contains(part), "{part}\n{text}");
    }
    let (_, notes) = text.split_once("Worth knowing (1)").unwrap_or_else(|| panic!("{text}"));
    assert!(notes.contains("No [backup]"), "{notes}");
}

#[test]
fn every_key_takes_effect() {
    let text = std::fs::read_to_string(root().join("fixtures/config/every-key.toml")).unwrap();
    let plan = parsed(&text).unwrap_or_else(|faults| panic!("{faults}"));
    assert_eq!(plan.setup.show, Degrees::Fahrenheit);

    assert_eq!(plan.timezone, chrono_tz::Europe::Berlin);
    assert_eq!(plan.setup.due_not_before_ms, 9 * 86_400_000);
    assert_eq!(plan.altitude_m, Some(410.0));
    let backup = plan.backup.as_ref().unwrap();
    assert_eq!((backup.folder.to_str(), backup.every_ms, backup.keep), (Some("/media/stick"), 86_400_000, 14));
    assert_eq!(plan.status.address.as_deref(), Some("http://192.0.2.7:8750"));
    assert_eq!(plan.store.commit_every.as_secs(), 5);
    assert_eq!(plan.status.listen.unwrap().to_string(), "192.0.2.7:8750");
    assert_eq!((plan.status.scheme(), plan.status.tls.is_some()), ("https", true));
    assert_eq!(plan.status.token.as_ref().unwrap().0, "a-token-of-the-status-page");
    let [house, yard] = plan.brokers.as_slice() else { panic!("{:?}", plan.brokers) };
    assert_eq!((house.host.as_str(), house.port, house.client.as_str()), ("127.0.0.1", 1883, "barn-1"));
    assert_eq!(house.password.as_ref().unwrap().0, "a-secret-of-the-broker");
    assert!(house.tls.is_none());
    assert_eq!((yard.port, yard.client.as_str()), (8883, "tubwatch-barn"));
    let tls = yard.tls.as_ref().unwrap();
    assert!(tls.ca_pem.is_some() && tls.client_pem.is_some());
    let shelf_air = &plan.probes[0].recipe;
    assert_eq!(
        shelf_air.reads,
        [Some("/temperature"), Some("/humidity"), None, Some("/battery")].map(|p| p.map(str::to_owned))
    );
    assert_eq!(shelf_air.time.as_ref().unwrap().at, "/ts");
    assert_eq!(plan.probes[1].recipe.select, [("/id".to_owned(), "a1".to_owned())]);
    assert_eq!(plan.probes[3].recipe.format, Format::Pairs);
    assert_eq!((plan.probes[1].source, plan.setup.sources[2].name.as_str()), (2, "usb"));
    assert_eq!((plan.forwards[0].name.as_str(), plan.forwards[0].precision), ("farm", Precision::Milliseconds));
    assert!(plan.forwards[0].url.0.ends_with("/write?db=climate&precision=ms"));
    let humidity = plan.setup.probes[0].correction[Quantity::Humidity.index()];
    assert_eq!((humidity.gain, humidity.offset), (1.0, -2.1));
    let shelf = &plan.setup.spaces[0];
    assert_eq!((shelf.air.as_slice(), shelf.heated), ([0, 3].as_slice(), true));
    let patient =
        |value| Limit { value, on_delay_ms: Some(2_400_000), off_delay_ms: Some(3_600_000), deadband: Some(1.5) };
    let air = shelf.bands.of(Stage::Colonising).temperature;
    assert_eq!((air.low, air.high, air.critical_high), (Some(patient(20.0)), Some(patient(26.0)), Some(patient(29.0))));
    let humidity = shelf.bands.of(Stage::Fruiting).humidity;
    let own = Limit { value: 88.0, on_delay_ms: Some(0), off_delay_ms: Some(1_200_000), deadband: None };
    assert_eq!(humidity.low, Some(own));
    assert_eq!(humidity.high, Some(Limit { on_delay_ms: None, value: 97.0, ..own }));
    assert_eq!(plan.messengers[0].at_least, Severity::Advice);
    let Way::Webhook { url, headers, body: None } = &plan.messengers[0].way else { panic!() };
    assert_eq!(url.0, "https://example.invalid/hook/k-7f3a9c");
    assert_eq!(headers[0].0, "x-key");
    assert_eq!(headers[1].1.0, "Bearer another-secret");
    messengers_take_effect(&plan);
    // The site's own cultures: one more, and one in its place.
    assert_eq!(plan.setup.cultures.len(), cultures::built_in().len() + 1);
    let enoki = plan.setup.cultures.iter().find(|culture| culture.name == "enoki").unwrap();
    assert_eq!(enoki.thermal.damage_c, 31.0);

    // No secret is shown, neither in the debug form nor by `check`.
    let shown = format!("{plan:?}\n{}", printed(&plan));
    for secret in ["a-secret", "another-secret", "a-token", "k-7f3a9c", "bm90IGEga2V5"] {
        assert!(!shown.contains(secret), "{secret}");
    }
}

#[test]
fn all_faults_are_told_at_once_with_their_places() {
    let path = root().join("fixtures/config/many-faults.toml");
    let faults = load(&path).unwrap_err();
    let found: Vec<_> =
        faults.iter().map(|fault| (fault.line, fault.column, fault.key.as_str(), fault.cause)).collect();
    assert_eq!(
        found,
        [
            (3, 8, "site.name", Cause::Value),
            (4, 12, "site.timezone", Cause::Value),
            (5, 1, "site.colour", Cause::Unknown),
            (8, 8, "store.path", Cause::WrongType),
            (9, 1, "store.commit_evry", Cause::Unknown),
            (13, 7, "broker[house].url", Cause::Value),
            (16, 8, "port[house].name", Cause::Clash),
            (18, 8, "port[house].baud", Cause::WrongType),
            (22, 8, "probe[käse].from", Cause::Dangling),
            (23, 9, "probe[käse].topic", Cause::Value),
            (24, 10, "probe[käse].format", Cause::Value),
            (25, 11, "probe[käse].reads.temprature", Cause::Unknown),
            (26, 9, "probe[käse].every", Cause::Value),
            (28, 1, "probe[bare].every", Cause::Missing),
            (33, 9, "probe[bare].reads", Cause::Clash),
            (35, 13, "correction.bear", Cause::Dangling),
            (36, 24, "correction.bear.temperature.gain", Cause::Value),
            (36, 36, "correction.bear.temperature.made", Cause::Value),
            (40, 16, "space[shelf].air", Cause::Dangling),
            (41, 10, "space[shelf].heated", Cause::WrongType),
            (44, 36, "space[shelf].bands.colonising.temperature.high", Cause::Clash),
            (45, 20, "space[shelf].bands.colonising.humidity.low", Cause::Value),
            (47, 1, "messenger[phone].webhook", Cause::Missing),
            (49, 12, "messenger[phone].at_least", Cause::Value),
            (51, 2, "probes", Cause::Unknown),
        ]
    );
    assert_eq!(faults.count(), 25);
    let text = faults.to_string();
    assert_eq!(text.lines().count(), 25);
    let line = format!(
        "{}:26:9: probe[käse].every: found \"10m\", expected a duration from \"100ms\" to \"7d\" (units ms, s, min, \
         h, d); did you mean \"10min\"?",
        path.display()
    );
    assert!(text.lines().any(|printed| printed == line), "{text}");
    for word in ["Europe/Lisbon", "commit_every", "house", "json", "temperature", "critical", "probe"] {
        assert!(text.contains(&format!("did you mean \"{word}\"?")), "{word}\n{text}");
    }
    assert!(!text.contains("hunter2"), "a password must not be repeated\n{text}");
}

/// Two columns after `é`, to hold that columns count characters and lines any ending.
#[test]
fn columns_count_characters() {
    let text = format!(
        "{START}# über\r\n[[space]]\r\nname = \"é\"\r\nbands = {{ fruiting = {{ \"é\" = 1, co2 = {{ hig = 1 }} }} }}\r\n"
    );
    let faults = parsed(&text).unwrap_err();
    let found: Vec<_> = faults.iter().map(|fault| (fault.line, fault.column, fault.cause)).collect();
    assert_eq!(found, [(9, 24, Cause::Unknown), (9, 39, Cause::Missing), (9, 41, Cause::Unknown)], "{faults}");
}

#[test]
fn what_is_no_toml_is_told_with_its_place() {
    for (text, places) in [
        // A slip within its line leaves the rest to be checked.
        (
            "[site]\nname = \"a\"\ntimezone = Europe\n[store]\npath = 3\n",
            &[(3, 12, Cause::Syntax), (5, 8, Cause::WrongType)][..],
        ),
        (
            "[site]\nname = \"a\"\nname = \"b\"\ntimezone = \"UTC\"\n[store]\n",
            &[(3, 1, Cause::Syntax), (5, 1, Cause::Missing)],
        ),
        ("[site]\nname = \"a\ntimezone = \"UTC\"\n[store]\npath = \"x\"\n", &[(2, 10, Cause::Syntax)]),
        (
            "[site]\nname = \"a\" b\ntimezone = \"UTC\"\n[store]\npath = 3\n",
            &[(2, 12, Cause::Syntax), (5, 8, Cause::WrongType)],
        ),
        // One that runs on does not.
        ("[site]\nnme = \"a\"\ntimezone = [\n[store]\npath = 3\n", &[(2, 1, Cause::Unknown), (3, 12, Cause::Syntax)]),
        ("[site]\nnme = \"\"\"a\ntimezone = 3\n[store]\npath = 3\n", &[(2, 7, Cause::Syntax)]),
        ("[site]\nnme = \"a\"\n[store]\nx = {\npath = 3,\n", &[(2, 1, Cause::Unknown), (4, 5, Cause::Syntax)]),
        (
            "[site]\nnme = \"a\"\n[store]\nx = [\"3\" \"4\"]\ny = 3\n",
            &[(2, 1, Cause::Unknown), (4, 10, Cause::Syntax), (5, 1, Cause::Unknown)],
        ),
        ("[site\nname = \"a\"\n", &[(1, 6, Cause::Syntax)]),
        ("= 3\n", &[(1, 1, Cause::Syntax)]),
        ("\u{feff}[sit]\n", &[(1, 1, Cause::Missing), (1, 1, Cause::Missing), (1, 2, Cause::Unknown)]),
        ("", &[(1, 1, Cause::Missing), (1, 1, Cause::Missing)]),
    ] {
        let faults = parsed(text).unwrap_err();
        let found: Vec<_> = faults.iter().map(|fault| (fault.line, fault.column, fault.cause)).collect();
        assert_eq!(found, places, "{text}\n{faults}");
    }
}

#[test]
fn a_file_that_cannot_be_read_is_one_fault() {
    let folder = tempfile::tempdir().unwrap();
    let binary = folder.path().join("binary.toml");
    std::fs::write(&binary, b"[site]\nname = \"\xff\"\n").unwrap();
    for (path, line, column, part) in [
        (folder.path().join("none.toml"), 1, 1, "there is no such file"),
        (folder.path().to_owned(), 1, 1, "not a regular file"),
        (binary, 2, 9, "not text in UTF-8"),
    ] {
        let faults = load(&path).unwrap_err();
        let fault = faults.iter().next().unwrap();
        assert_eq!((faults.count(), fault.line, fault.column, fault.cause), (1, line, column, Cause::Unreadable));
        assert!(fault.sentence.contains(part), "{fault}");
    }
}

#[test]
fn faults_beyond_the_listed_are_counted() {
    let many: String = (0..1_500).map(|number| format!("key-{number} = 1\n")).collect();
    let faults = parsed(&format!("{many}{START}")).unwrap_err();
    assert_eq!((faults.count(), faults.iter().count()), (1_500, 1_000));
    assert!(parsed(START).is_ok());
}

#[test]
fn the_built_in_cultures() {
    let text = std::fs::read_to_string(root().join("config/cultures.toml")).unwrap();
    // Read once more as a site's own file, which reports what the built-in reading would leave out.
    let own = format!(
        "{}cultures = {:?}\n[store]\npath = \"x\"\n",
        START.split("[store]").next().unwrap(),
        root().join("config/cultures.toml")
    );
    parsed(&own).unwrap_or_else(|faults| panic!("{faults}"));
    let cultures = cultures::built_in();
    assert_eq!(cultures.len(), text.matches("[[culture]]").count());
    assert!(cultures.len() >= 12);
    for word in ["http", "www.", ".com"] {
        assert!(!text.contains(word), "{word}");
    }
    for culture in &cultures {
        assert!(!culture.sources.is_empty(), "{}", culture.name);
        let core = culture.bands.of(Stage::Colonising).core_temperature;
        let (high, critical) = (core.high.unwrap().value, core.critical_high.unwrap().value);
        assert!(high < critical && critical < culture.thermal.damage_c, "{}", culture.name);
        let air = culture.bands.of(Stage::Fruiting);
        assert!(air.temperature.critical_high.unwrap().value < culture.thermal.damage_c, "{}", culture.name);
        assert!(air.humidity.low.is_some() && air.co2.high.is_some(), "{}", culture.name);
    }
    // Every line with a figure says where it comes from, or the comment above it does.
    for line in text.lines().filter(|line| line.contains(" = ") && line.chars().any(|c| c.is_ascii_digit())) {
        assert!(line.starts_with('#') || line.starts_with("    \"") || line.contains(" # "), "no source: {line}");
    }
    let oyster = &cultures[0];
    assert_eq!((oyster.name.as_str(), oyster.species.as_str()), ("winter-oyster", "Pleurotus ostreatus"));
    let thermal = oyster.thermal;
    assert_eq!((thermal.base_c, thermal.cap_c, thermal.damage_c, thermal.usual_c), (5.0, 25.0, 33.0, 24.0));
    assert_eq!(thermal.requirement, Requirement { low: 4560.0, usual: 5472.0, high: 6384.0 });
    let (closed, open) = (oyster.bands.of(Stage::Colonising), oyster.bands.of(Stage::Fruiting));
    let values = |band: tubwatch::grow::culture::Band| {
        [band.low, band.high, band.critical_high].map(|limit| limit.map(|limit| limit.value))
    };
    assert_eq!(values(closed.core_temperature), [Some(20.0), Some(28.0), Some(31.0)]);
    assert_eq!(values(closed.temperature), [Some(18.0), Some(26.0), Some(30.0)]);
    assert_eq!(values(open.temperature), [Some(10.0), Some(18.0), Some(28.0)]);
    assert_eq!(values(open.humidity), [Some(85.0), Some(98.0), None]);
    assert_eq!(values(open.co2), [None, Some(1000.0), None]);
}

#[test]
fn faults_of_the_sites_own_cultures_are_told_at_their_file() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(
        folder.path().join("own.toml"),
        "[[culture]]\nname = \"x\"\nspecies = \"Y z\"\nsources = []\n\
         thermal = { base = 5.0, cap = 35.0, damage = 33.0, usual = 4, requirement = { low = 9, usual = 5, high = 7 } }\n\
         [culture.bands.colonising]\ncore-temperature = { high = 33.0 }\n",
    )
    .unwrap();
    let text = START.replace("[store]", "cultures = \"own.toml\"\ncolour = 1\n[store]");
    let faults = parse(&text, &folder.path().join("here.toml")).unwrap_err();
    let found: Vec<_> =
        faults.iter().map(|fault| (fault.file.file_name().unwrap(), fault.line, fault.key.as_str())).collect();
    let (here, own) = (Path::new("here.toml").as_os_str(), Path::new("own.toml").as_os_str());
    assert_eq!(
        found,
        [
            (here, 5, "site.colour"),
            (own, 4, "culture[x].sources"),
            (own, 5, "culture[x].thermal.damage"),
            (own, 5, "culture[x].thermal.usual"),
            (own, 5, "culture[x].thermal.requirement.usual"),
            (own, 7, "culture[x].bands.colonising.core-temperature.high"),
        ]
    );
}

fn messengers_take_effect(plan: &Plan) {
    let time = |hour| chrono::NaiveTime::from_hms_opt(hour, 0, 0).unwrap();
    let [phone, post, bell, lamp] = plan.messengers.as_slice() else { panic!("{:?}", plan.messengers) };
    assert_eq!(phone.hush, Some(Hush { from: time(22), to: time(7), unless: Severity::Critical }));
    assert_eq!((phone.again_every_ms, phone.only_after_ms), (Some(3_600_000), Some(1_200_000)));
    let Way::Mail(mail) = &post.way else { panic!("{post:?}") };
    assert_eq!((mail.host.as_str(), mail.port, mail.privacy), ("127.0.0.1", 2525, Privacy::Plain));
    assert_eq!(
        (mail.from.as_str(), mail.to.as_slice()),
        ("tent@example.invalid", ["grower@example.invalid".to_owned()].as_slice())
    );
    assert!(matches!(&bell.way, Way::Publish { broker: 0, topic } if topic == "tubwatch/alerts"));
    let Way::Run { program, args } = &lamp.way else { panic!("{lamp:?}") };
    assert_eq!((program.to_str(), args.as_slice()), (Some("/usr/local/bin/lamp"), ["on".to_owned()].as_slice()));
    assert_eq!(post.at_least, Severity::Warning);
    let morning = plan.morning.as_ref().unwrap();
    assert_eq!((morning.at.to_string().as_str(), morning.to.as_slice()), ("07:30:00", ["phone".to_owned()].as_slice()));
    let sign = plan.sign_of_life.as_ref().unwrap();
    assert_eq!((sign.url.0.as_str(), sign.every.as_secs()), ("https://example.invalid/alive", 300));
    assert_eq!(plan.status.address.as_deref(), Some("http://192.0.2.7:8750"));
    let text = printed(plan);
    for part in [
        "phone: webhook at example.invalid with 2 headers, advice and worse; quiet from 22:00 to 07:00 unless critical; \
         only after 20min without an acknowledgement; critical ones again every 1h",
        "post: mail to grower@example.invalid by 127.0.0.1:2525 (unencrypted)",
        "bell: published to tubwatch/alerts on house",
        "lamp: runs /usr/local/bin/lamp",
        "the morning list at 07:30 through phone",
        "a sign of life every 5min to example.invalid",
        "lamp: there is no program /usr/local/bin/lamp",
    ] {
        assert!(text.contains(part), "{part}\n{text}");
    }
    assert!(!text.contains("alive") && !text.contains("k-7f3a9c"), "{text}");
}

#[test]
fn check_says_what_is_absent() {
    let bare = printed(&parsed(START).unwrap());
    for part in ["No messenger:", "No [status]:", "No broker and no port:", "No space:", "no status page"] {
        assert!(bare.contains(part), "{part}\n{bare}");
    }
    for (url, single, offline, plain) in [
        ("https://example.invalid/x", true, true, false),
        ("http://example.invalid/x", true, true, true),
        ("http://127.0.0.1:9/x", true, false, false),
        ("http://192.168.7.3/x", true, false, false),
        ("http://[fd00::3]/x", true, false, false),
        ("http://bell.local/x", true, false, false),
        ("http://203.0.113.9/x", true, true, true),
    ] {
        let text = printed(
            &parsed(&format!("{START}[[messenger]]\nname = \"m\"\nwebhook = {{ url = \"{url}\" }}\n")).unwrap(),
        );
        for (part, said) in [("A single messenger", single), ("without the internet", offline), ("unencrypted", plain)]
        {
            assert_eq!(text.contains(part), said, "{url} {part}\n{text}");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_text_is_answered(text in any::<String>()) {
        let answer = parse(&text, Path::new("/nonexistent/folder/here.toml"));
        prop_assert!(answer.is_err());
    }

    #[test]
    fn any_damage_to_the_example_is_answered(from in 0usize..9_000, length in 0usize..60, put in "[\\[\\]{}\"'=,.#a-z0-9\n é-]{0,12}") {
        let example = include_str!("../config/tubwatch.toml");
        let letters: Vec<char> = example.chars().collect();
        let from = from.min(letters.len());
        let to = (from + length).min(letters.len());
        let text: String = letters[..from].iter().copied().chain(put.chars()).chain(letters[to..].iter().copied()).collect();
        if let Err(faults) = parse(&text, Path::new("/nonexistent/folder/here.toml")) {
            let lines = text.lines().count().max(1);
            for fault in &faults {
                prop_assert!(fault.line >= 1 && fault.line <= lines + 1 && fault.column >= 1, "{}", fault);
            }
        }
    }
}
