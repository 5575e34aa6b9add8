//! One series as a program takes it: small on the way, and not twice.

use serde_json::json;

use super::ask::ask;
use super::scene;
use crate::harness::daemon::{named, unchunked_bytes};
use crate::harness::{PATIENCE, wait_until};

#[test]
fn a_series_is_sent_small_and_only_once() {
    let cellar = scene::cellar("");
    let address = cellar.daemon.address.as_str();
    let from = scene::rfc3339(scene::now() - 4 * scene::DAY).replace('+', "%2B");
    for every in ["", "&every=1h"] {
        let path = format!("/series.csv?probe=shelf-air&quantity=temperature&from={from}&to=now{every}");
        let whole = ask(address, "GET", &path, &[("accept-encoding", "identity")], "");
        let packed = ask(address, "GET", &path, &[("accept-encoding", "gzip, br")], "");
        assert_eq!((whole.status, whole.header("content-encoding")), (200, None));
        assert_eq!((packed.status, packed.header("content-encoding")), (200, Some("gzip")));
        assert!(packed.header("vary").unwrap().contains("Accept-Encoding"));
        let text = unchunked_bytes(&whole.body);
        let mut unpacked = Vec::new();
        let body = unchunked_bytes(&packed.body);
        std::io::Read::read_to_end(&mut flate2::read::GzDecoder::new(body.as_slice()), &mut unpacked).unwrap();
        assert_eq!(String::from_utf8(unpacked).unwrap(), String::from_utf8(text).unwrap());
        assert!(body.len() * 2 < whole.body.len(), "{} {}", body.len(), whole.body.len());
        // The same question again, later: nothing new, so nothing is sent. The daemon packs old samples meanwhile,
        // after which they are asked for once more.
        let mut tag = String::new();
        wait_until(PATIENCE, "it is not sent again", || {
            tag = ask(address, "GET", &path, &[], "").header("etag").unwrap().to_owned();
            let again = ask(address, "GET", &path, &[("if-none-match", &tag), ("accept-encoding", "gzip")], "");
            again.status == 304 && again.body.is_empty() && again.header("etag") == Some(tag.as_str())
        });
        let other = path.replace("temperature", "humidity");
        assert_eq!(ask(address, "GET", &other, &[("if-none-match", &tag)], "").status, 200);
        // A sample later all is new.
        let stored = || named(&cellar.daemon.status(), "probes", "shelf-air")["samples"].as_u64().unwrap();
        let before = stored();
        let message = json!({ "ts": scene::now(), "t": 24.3, "h": 88.0 }).to_string();
        cellar.broker.publish("shelf-air", message, 1, false);
        wait_until(PATIENCE, "it is stored", || stored() > before);
        let new = ask(address, "GET", &path, &[("if-none-match", &tag)], "");
        assert_eq!(new.status, 200);
        assert_ne!(new.header("etag"), Some(tag.as_str()));
    }
    let unknown = "/series.csv?probe=attic&quantity=temperature&from=now&to=now";
    assert_eq!(ask(address, "GET", unknown, &[("if-none-match", "*")], "").status, 404);
}
