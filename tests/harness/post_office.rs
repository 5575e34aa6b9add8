//! A small mail server that behaves as it is told, and keeps what it took in.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::Command;
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};

/// What the server does with one connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Manner {
    /// Takes the mail in.
    Takes,
    /// Says nothing at all.
    Silent,
    /// Says nothing after EHLO.
    SilentAfterEhlo,
    /// Says nothing once it has the mail.
    SilentAfterData,
    /// Takes the mail in, each answer late.
    Slow,
    /// 421 at the door.
    Closed,
    /// 550 for the people.
    KnowsNobody,
    /// 550 for people with this in their address, 250 for others.
    KnowsNot(&'static str),
    /// 450 for them.
    NotYet(&'static str),
    /// 451 for the mail.
    NotNow,
    /// 554 for the mail.
    Never,
    /// Closes the connection instead of taking the mail.
    Drops,
    /// Answers what is no SMTP, with a megabyte of it.
    Babbles,
}

/// One mail as it came.
#[derive(Clone, Debug, Default)]
pub struct Mail {
    pub hello: String,
    pub from: String,
    pub to: Vec<String>,
    /// Headers and text, lines ended by `\n`, dots unstuffed.
    pub data: String,
    pub login: Option<String>,
    pub over_tls: bool,
}

impl Mail {
    pub fn headers(&self) -> Vec<&str> {
        self.data.split("\n\n").next().unwrap().lines().collect()
    }

    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers().into_iter().find_map(|line| line.strip_prefix(&format!("{name}: ")))
    }
}

pub struct PostOffice {
    pub port: u16,
    mails: Arc<Mutex<Vec<Mail>>>,
    manner: Arc<Mutex<Manner>>,
    visits: Arc<Mutex<u32>>,
}

impl PostOffice {
    pub fn open() -> PostOffice {
        PostOffice::open_with(None)
    }

    /// With STARTTLS and a login, by a certificate for 127.0.0.1 whose authority is `ca.pem` in `folder`.
    pub fn open_with(folder: Option<&Path>) -> PostOffice {
        let tls = folder.map(tls);
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let office = PostOffice {
            port: listener.local_addr().unwrap().port(),
            mails: Arc::default(),
            manner: Arc::new(Mutex::new(Manner::Takes)),
            visits: Arc::default(),
        };
        let (mails, manner) = (Arc::clone(&office.mails), Arc::clone(&office.manner));
        let visits = Arc::clone(&office.visits);
        thread::spawn(move || {
            for stream in listener.incoming().map_while(Result::ok) {
                let (mails, manner, tls) = (Arc::clone(&mails), *manner.lock().unwrap(), tls.clone());
                *visits.lock().unwrap() += 1;
                thread::spawn(move || serve(stream, manner, tls, &mails));
            }
        });
        office
    }

    /// How every further connection is treated.
    pub fn behave(&self, manner: Manner) {
        *self.manner.lock().unwrap() = manner;
    }

    pub fn mails(&self) -> Vec<Mail> {
        self.mails.lock().unwrap().clone()
    }

    pub fn visits(&self) -> u32 {
        *self.visits.lock().unwrap()
    }
}

fn serve(stream: TcpStream, manner: Manner, tls: Option<Arc<rustls::ServerConfig>>, mails: &Mutex<Vec<Mail>>) {
    let mut mail = Mail::default();
    match manner {
        Manner::Silent => return rest(stream),
        Manner::Closed => {
            let _ = (&stream).write_all(b"421 closed for today\r\n");
            return;
        }
        Manner::Babbles => {
            let _ = (&stream).write_all(&vec![b'x'; 1 << 20]);
            return rest(stream);
        }
        _ => {}
    }
    let (end, stream) = converse(stream, manner, tls.is_some(), true, &mut mail, mails);
    if let (End::StartTls, Some(config)) = (end, tls) {
        let connection = rustls::ServerConnection::new(config).unwrap();
        mail = Mail { over_tls: true, ..Mail::default() };
        converse(rustls::StreamOwned::new(connection, stream), manner, false, false, &mut mail, mails);
    }
}

/// Holds the connection open until the other side lets go.
fn rest(mut stream: impl Read) {
    let mut nothing = [0; 1024];
    while stream.read(&mut nothing).is_ok_and(|count| count > 0) {}
}

#[derive(PartialEq, Eq)]
enum End {
    Done,
    StartTls,
}

fn converse<S: Read + Write>(
    stream: S,
    manner: Manner,
    offers_tls: bool,
    greets: bool,
    mail: &mut Mail,
    mails: &Mutex<Vec<Mail>>,
) -> (End, S) {
    let mut reader = BufReader::new(stream);
    let say = |reader: &mut BufReader<S>, text: &str| {
        if manner == Manner::Slow {
            thread::sleep(Duration::from_millis(50));
        }
        reader.get_mut().write_all(format!("{text}\r\n").as_bytes()).and_then(|()| reader.get_mut().flush()).is_ok()
    };
    if greets && !say(&mut reader, "220 post.invalid ESMTP") {
        return (End::Done, reader.into_inner());
    }
    loop {
        let mut line = String::new();
        if reader.read_line(&mut line).unwrap_or(0) == 0 {
            return (End::Done, reader.into_inner());
        }
        let line = line.trim_end();
        let upper = line.to_uppercase();
        let answered = if let Some(hello) = upper.strip_prefix("EHLO ") {
            mail.hello = hello.to_owned();
            if manner == Manner::SilentAfterEhlo {
                rest(&mut reader);
                return (End::Done, reader.into_inner());
            }
            let more = if offers_tls { "250-STARTTLS\r\n" } else { "250-AUTH PLAIN\r\n" };
            say(&mut reader, &format!("250-post.invalid\r\n{more}250 8BITMIME"))
        } else if upper == "STARTTLS" {
            say(&mut reader, "220 go on");
            return (End::StartTls, reader.into_inner());
        } else if upper.starts_with("AUTH PLAIN ") {
            mail.login = Some(line[11..].to_owned());
            say(&mut reader, "235 welcome")
        } else if upper.starts_with("MAIL FROM:") {
            mail.from = line[10..].to_owned();
            mail.to.clear();
            say(&mut reader, "250 ok")
        } else if upper.starts_with("RCPT TO:") {
            let answer = match manner {
                Manner::KnowsNobody => "550 nobody\u{1b}[2J here",
                Manner::KnowsNot(who) if line.contains(who) => "550 nobody of that name",
                Manner::NotYet(who) if line.contains(who) => "450 later",
                _ => "250 ok",
            };
            if answer == "250 ok" {
                mail.to.push(line[8..].to_owned());
            }
            say(&mut reader, answer)
        } else if upper == "DATA" {
            if manner == Manner::Drops {
                return (End::Done, reader.into_inner());
            }
            say(&mut reader, "354 go on");
            mail.data = data(&mut reader);
            match manner {
                Manner::SilentAfterData => {
                    rest(&mut reader);
                    return (End::Done, reader.into_inner());
                }
                Manner::NotNow => say(&mut reader, "451 later"),
                Manner::Never => say(&mut reader, "554 no such mail"),
                _ => {
                    mails.lock().unwrap().push(mail.clone());
                    say(&mut reader, "250 taken")
                }
            }
        } else if upper == "QUIT" {
            say(&mut reader, "221 bye");
            return (End::Done, reader.into_inner());
        } else {
            say(&mut reader, "500 what?")
        };
        if !answered {
            return (End::Done, reader.into_inner());
        }
    }
}

fn data(reader: &mut impl BufRead) -> String {
    let mut data = String::new();
    loop {
        let mut line = String::new();
        if reader.read_line(&mut line).unwrap_or(0) == 0 || line == ".\r\n" {
            return data;
        }
        let line = line.strip_suffix("\r\n").unwrap_or(&line);
        data.push_str(line.strip_prefix('.').unwrap_or(line));
        data.push('\n');
    }
}

/// Makes an authority and a certificate for 127.0.0.1 in `folder`.
pub fn certificates(folder: &Path) {
    let script = "set -e
        openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj '/CN=test authority' \
            -keyout ca.key -out ca.pem
        openssl req -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -subj '/CN=post' -keyout post.key -out post.csr
        printf 'subjectAltName=IP:127.0.0.1\\nbasicConstraints=CA:FALSE\\n' > post.ext
        openssl x509 -req -in post.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 2 -extfile post.ext -out post.pem";
    let made = Command::new("sh").args(["-c", script]).current_dir(folder).output().expect("sh and openssl are there");
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
}

fn tls(folder: &Path) -> Arc<rustls::ServerConfig> {
    let chain: Vec<_> =
        CertificateDer::pem_file_iter(folder.join("post.pem")).unwrap().collect::<Result<_, _>>().unwrap();
    let key = PrivateKeyDer::from_pem_file(folder.join("post.key")).unwrap();
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = rustls::ServerConfig::builder_with_provider(provider).with_safe_default_protocol_versions().unwrap();
    Arc::new(config.with_no_client_auth().with_single_cert(chain, key).unwrap())
}
