//! The status page over TLS, asked by a client that checks certificates (Python's ssl module, which is OpenSSL).
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;

use std::io::{Read, Write};
use std::net::TcpStream;
use std::process::Command;

use harness::PATIENCE;
use harness::daemon::Site;

const TOKEN: &str = "a-token-for-tests-only";

/// A site whose page shows a certificate for 127.0.0.1 that is its own authority.
fn site() -> Site {
    let site = Site::new(
        "[site]\nname = \"cellar\"\ntimezone = \"Europe/Lisbon\"\n[store]\npath = \"state\"\n\
         [status]\nlisten = \"127.0.0.1:0\"\ntoken_file = \"status.token\"\ncert_file = \"page.pem\"\nkey_file = \"page.key\"\n",
    );
    std::fs::write(site.folder.path().join("status.token"), TOKEN).unwrap();
    for name in ["page", "other"] {
        let made = Command::new("openssl")
            .args(["req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2"])
            .args(["-subj", "/CN=page", "-addext", "subjectAltName=IP:127.0.0.1"])
            .args(["-keyout", &format!("{name}.key"), "-out", &format!("{name}.pem")])
            .current_dir(site.folder.path())
            .output()
            .expect("openssl is there");
        assert!(made.status.success(), "{made:?}");
    }
    site
}

/// What the client says of one request: status, headers and body, or why there was none.
fn asked(site: &Site, address: &str, authority: &str, method: &str, path: &str, body: &str) -> String {
    let program = "import sys, ssl, http.client\n\
                   host, port = sys.argv[1].split(':')\n\
                   trust = ssl.create_default_context(cafile=sys.argv[2])\n\
                   door = http.client.HTTPSConnection(host, int(port), context=trust, timeout=30)\n\
                   try:\n\
                   \x20   door.request(sys.argv[3], sys.argv[4], sys.argv[5] or None,\n\
                   \x20       {'content-type': 'application/x-www-form-urlencoded', 'accept': 'text/html'})\n\
                   \x20   answer = door.getresponse()\n\
                   \x20   print(answer.status, answer.headers, answer.read().decode())\n\
                   except ssl.SSLError as why:\n\
                   \x20   print('refused:', why)\n";
    let authority = site.folder.path().join(authority);
    let output = Command::new("python3")
        .args(["-c", program, address])
        .arg(authority)
        .args([method, path, body])
        .output()
        .expect("python3 is there");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn the_page_over_tls() {
    let site = site();
    let said = site.ok(&["check"]);
    assert!(said.contains("status page on https://127.0.0.1"), "{said}");
    let daemon = site.run();
    assert!(daemon.log_lines().iter().any(|line| line.contains("status page is at https://")));
    let status = asked(&site, &daemon.address, "page.pem", "GET", "/status.json", "");
    assert!(status.starts_with("200 ") && status.contains("\"site\":\"cellar\""), "{status}");
    let other = asked(&site, &daemon.address, "other.pem", "GET", "/status.json", "");
    assert!(other.starts_with("refused:"), "{other}");
    let signed_in = asked(&site, &daemon.address, "page.pem", "POST", "/sign-in", &format!("token={TOKEN}&next=/"));
    let cookie = signed_in.lines().find(|line| line.to_lowercase().starts_with("set-cookie")).unwrap();
    assert!(signed_in.starts_with("303 ") && cookie.contains("; Secure") && cookie.contains("HttpOnly"), "{signed_in}");

    // Who speaks plain HTTP is told so, and shown nothing.
    let mut plain = TcpStream::connect(&daemon.address).unwrap();
    plain.set_read_timeout(Some(PATIENCE)).unwrap();
    write!(plain, "GET /status.json HTTP/1.1\r\nHost: {}\r\n\r\n", daemon.address).unwrap();
    let mut answer = String::new();
    plain.read_to_string(&mut answer).unwrap();
    assert!(answer.starts_with("HTTP/1.1 400 ") && answer.contains("https://"), "{answer}");
    assert!(!answer.contains("cellar"), "{answer}");
    // The page goes on for others.
    assert!(asked(&site, &daemon.address, "page.pem", "GET", "/health", "").starts_with("200 "));
    assert!(daemon.terminate().0.success());

    // A key of another certificate is a wrong config, said before anything starts.
    std::fs::copy(site.folder.path().join("other.key"), site.folder.path().join("page.key")).unwrap();
    for command in ["check", "run"] {
        let refused = site.command(&[command]);
        assert_eq!(refused.status.code(), Some(78), "{refused:?}");
        assert!(String::from_utf8_lossy(&refused.stderr).contains("do not go together"), "{refused:?}");
    }
}
