//! The documents for users: example set-ups are checked by the program, steps and names hold.

use std::path::Path;
use std::process::Command;

fn text(path: &str) -> String {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(path)).unwrap()
}

#[test]
fn every_example_is_right() {
    for name in ["shelf-usb", "tent-wifi", "room-rs485"] {
        let file = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("config/{name}.toml"));
        let output =
            Command::new(env!("CARGO_BIN_EXE_tubwatch")).arg("check").arg("--config").arg(file).output().unwrap();
        assert!(output.status.success(), "{name}: {}", String::from_utf8_lossy(&output.stderr));
        assert!(text("docs/first-shelf.md").contains(&format!("{name}.toml")));
    }
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("systemd/tubwatch.toml");
    let output = Command::new(env!("CARGO_BIN_EXE_tubwatch")).arg("check").arg("--config").arg(file).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

#[test]
fn the_first_shelf_has_ten_steps_of_commands_that_are() {
    let guide = text("docs/first-shelf.md");
    for step in 1..=10 {
        let (_, rest) = guide.split_once(&format!("\n{step}. **")).unwrap_or_else(|| panic!("step {step}"));
        let rest = rest.split_once(&format!("\n{}. **", step + 1)).map_or(rest, |(this, _)| this);
        assert!(rest.contains("Expect:"), "step {step} tells what to expect");
    }
    let known = tubwatch::cli::command();
    for document in [guide, text("docs/service.md")] {
        let typed =
            document.lines().filter_map(|line| line.trim().trim_start_matches("sudo ").strip_prefix("tubwatch "));
        for words in typed {
            let word = words.split(' ').next().unwrap();
            assert!(known.get_subcommands().any(|command| command.get_name() == word), "{words}");
        }
    }
    assert!(
        text("systemd/postinst")
            .contains("write /etc/tubwatch/tubwatch.toml, then: tubwatch check; systemctl reload tubwatch")
    );
}
