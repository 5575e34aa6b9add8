//! Who is told, how and when: the checked `[[messenger]]`, `[morning]` and `[sign_of_life]`.
//!
//! In: nothing; these are the types that `messengers.rs` and `morning.rs` fill. Out: what `deliver`
//! works from. Left out: reading and checking.

use std::path::PathBuf;
use std::time::Duration;

use chrono::NaiveTime;

use super::plan::Secret;
use super::template::Template;
use crate::watch::alert::Severity;

/// `[[messenger]]`
#[derive(Clone, Debug)]
pub struct MessengerPlan {
    /// Its name.
    pub name: String,
    /// What is told through it.
    pub at_least: Severity,
    /// When it keeps quiet.
    pub hush: Option<Hush>,
    /// How often a critical alert is told again until acknowledged, ms.
    pub again_every_ms: Option<i64>,
    /// Used only for what is still unacknowledged after so long, ms.
    pub only_after_ms: Option<i64>,
    /// How it is told.
    pub way: Way,
}

impl MessengerPlan {
    /// One without rules of its own: told of everything from `at_least` on, at any time.
    pub fn plain(name: &str, at_least: Severity, way: Way) -> MessengerPlan {
        MessengerPlan { name: name.to_owned(), at_least, hush: None, again_every_ms: None, only_after_ms: None, way }
    }
}

/// Hours of the day, in the site's time, in which a messenger keeps quiet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Hush {
    /// From then on.
    pub from: NaiveTime,
    /// Up to, not including.
    pub to: NaiveTime,
    /// What is told all the same, and all that is worse.
    pub unless: Severity,
}

impl Hush {
    /// Whether an alert of `severity` waits at the local time of day `time`. Judged by the hands of
    /// the clock, so a change of summer time neither skips nor doubles the quiet hours.
    pub fn holds(&self, time: NaiveTime, severity: Severity) -> bool {
        let within = if self.from <= self.to {
            self.from <= time && time < self.to
        } else {
            self.from <= time || time < self.to
        };
        within && severity < self.unless
    }
}

/// How a messenger delivers.
#[derive(Clone, Debug)]
pub enum Way {
    /// An HTTP POST.
    Webhook {
        /// `http://` or `https://`.
        url: Secret,
        /// Further headers, read from `headers_file`.
        headers: Vec<(String, Secret)>,
        /// What is posted instead of the alert as JSON.
        body: Option<Template>,
    },
    /// A mail.
    Mail(MailPlan),
    /// An MQTT message, and the standing alerts retained.
    Publish {
        /// Position in the plan's brokers.
        broker: usize,
        /// Where each event goes.
        topic: String,
    },
    /// A program, the alert as JSON on its standard input.
    Run {
        /// Its path.
        program: PathBuf,
        /// Its arguments, as they are.
        args: Vec<String>,
    },
}

impl Way {
    /// The key's word.
    pub fn word(&self) -> &'static str {
        match self {
            Way::Webhook { .. } => "webhook",
            Way::Mail(_) => "mail",
            Way::Publish { .. } => "publish",
            Way::Run { .. } => "run",
        }
    }
}

/// `mail = { … }`
#[derive(Clone, Debug)]
pub struct MailPlan {
    /// Host name or address of the server that takes mail in.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// How the way there is hidden.
    pub privacy: Privacy,
    /// PEM of the authorities to trust; `None`: the machine's own.
    pub ca_pem: Option<Vec<u8>>,
    /// User name and password, the password read from its file.
    pub login: Option<(String, Secret)>,
    /// The sender's address.
    pub from: String,
    /// Whom it goes to.
    pub to: Vec<String>,
}

/// How the way to the mail server is hidden from others.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Privacy {
    /// Not at all: a server on this machine.
    Plain,
    /// STARTTLS where the server offers it: nothing secret is sent before.
    Offered,
    /// STARTTLS, or no mail at all.
    StartTls,
    /// TLS from the first byte.
    Tls,
}

/// `[morning]`
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MorningPlan {
    /// The local time of day.
    pub at: NaiveTime,
    /// The messengers' names.
    pub to: Vec<String>,
}

/// `[sign_of_life]`
#[derive(Clone, Debug)]
pub struct SignOfLifePlan {
    /// What is asked for; may hold a secret.
    pub url: Secret,
    /// How often.
    pub every: Duration,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn time(hour: u32, minute: u32) -> NaiveTime {
        NaiveTime::from_hms_opt(hour, minute, 0).expect("a time of day")
    }

    #[test]
    fn quiet_hours_go_over_midnight_and_let_the_worse_through() {
        let night = Hush { from: time(22, 0), to: time(7, 0), unless: Severity::Critical };
        let noon = Hush { from: time(12, 0), to: time(13, 30), unless: Severity::Warning };
        for (hush, at, severity, holds) in [
            (night, time(21, 59), Severity::Warning, false),
            (night, time(22, 0), Severity::Warning, true),
            (night, time(3, 0), Severity::Warning, true),
            (night, time(3, 0), Severity::Critical, false),
            (night, time(6, 59), Severity::Advice, true),
            (night, time(7, 0), Severity::Advice, false),
            (noon, time(12, 30), Severity::Advice, true),
            (noon, time(12, 30), Severity::Warning, false),
            (noon, time(13, 30), Severity::Advice, false),
        ] {
            assert_eq!(hush.holds(at, severity), holds, "{at} {severity:?}");
        }
    }
}
