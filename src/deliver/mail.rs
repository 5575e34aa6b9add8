//! One mail, handed to a server that takes mail in.
//!
//! In: a message as it waits in the outbox. Out: accepted by the server, or why not in one plain
//! sentence without a password. A connection for each mail; the whole dialogue ends
//! within the limit, since the library's own waits end with the connection's. Left out: templates,
//! attachments, HTML.

use std::collections::VecDeque;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use lettre::address::Envelope;
use lettre::message::header::{ContentType, Header, HeaderName, HeaderValue};
use lettre::message::{Mailbox, Message as Letter};
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, Tls, TlsParameters};
use lettre::transport::smtp::extension::ClientId;
use lettre::{AsyncSmtpTransport, AsyncTransport, Tokio1Executor};

use super::message::Message;
use super::outbox::digest;
use super::refused::{Refused, root_of};
use crate::config::plan::{MailPlan, Privacy};

/// "This mail was made by a machine": no out-of-office note in answer (RFC 3834, 5).
#[derive(Clone)]
struct AutoSubmitted;

impl Header for AutoSubmitted {
    fn name() -> HeaderName {
        HeaderName::new_from_ascii_str("Auto-Submitted")
    }

    fn parse(_: &str) -> Result<Self, Box<dyn std::error::Error + Send + Sync>> {
        Ok(AutoSubmitted)
    }

    fn display(&self) -> HeaderValue {
        HeaderValue::new(Self::name(), "auto-generated".to_owned())
    }
}

/// A mail server and who writes to whom.
pub(super) struct Mail {
    transport: AsyncSmtpTransport<Tokio1Executor>,
    place: String,
    from: Mailbox,
    to: Vec<Mailbox>,
    site: String,
    /// Mails that some have got and others not yet: key, places of those who have.
    partly: Mutex<VecDeque<(String, Vec<usize>)>>,
}

/// So many are remembered; of an older one everybody gets another copy, with the same Message-ID.
const PARTLY_MAX: usize = 64;

impl Mail {
    /// Prepares the way to `plan`'s server.
    ///
    /// # Errors
    /// One plain sentence where an address or a certificate cannot be used.
    pub(super) fn new(plan: &MailPlan, site: &str) -> Result<Mail, String> {
        let mailbox = |text: &String| text.parse::<Mailbox>().map_err(|_| "an address is none; mend mail".to_owned());
        let tls = match plan.privacy {
            Privacy::Plain => Tls::None,
            Privacy::Offered => Tls::Opportunistic(parameters(plan)?),
            Privacy::StartTls => Tls::Required(parameters(plan)?),
            Privacy::Tls => Tls::Wrapper(parameters(plan)?),
        };
        let mut builder = AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous(plan.host.as_str())
            .port(plan.port)
            .tls(tls)
            // An address literal is what a machine without a name of its own says (RFC 5321, 4.1.4).
            .hello_name(ClientId::Ipv4(std::net::Ipv4Addr::LOCALHOST))
            .timeout(None);
        if let Some((user, password)) = &plan.login {
            builder = builder.credentials(Credentials::new(user.clone(), password.0.clone()));
        }
        Ok(Mail {
            transport: builder.build(),
            place: format!("the mail server {}:{}", plan.host, plan.port),
            from: mailbox(&plan.from)?,
            to: plan.to.iter().map(mailbox).collect::<Result<_, _>>()?,
            site: site.to_owned(),
            partly: Mutex::default(),
        })
    }

    /// Hands one mail over to all who have not got it yet; ends within `limit`.
    pub(super) async fn send(&self, body: &str, key: &str, limit: Duration) -> Result<(), Refused> {
        let letter = self.letter(body, key).map_err(|why| Refused { for_good: true, ..Refused::passing(why) })?;
        match tokio::time::timeout(limit, self.hand_over(&letter.formatted(), key)).await {
            Ok(result) => result,
            Err(_) => {
                let seconds = limit.as_secs_f64();
                Err(Refused::passing(format!("{} did not take the mail within {seconds} s", self.place)))
            }
        }
    }

    /// To all at once; where the server refuses that, to one after the other, so that one address that is wrong
    /// keeps the mail from nobody else. Who has it is remembered until all have.
    async fn hand_over(&self, letter: &[u8], key: &str) -> Result<(), Refused> {
        let waiting = self.waiting(key);
        let told_before = waiting.len() < self.to.len();
        let all: Vec<&Mailbox> = waiting.iter().map(|place| &self.to[*place]).collect();
        let error = match self.to_these(letter, &all).await {
            Ok(()) => {
                self.forget(key);
                return Ok(());
            }
            Err(error) => error,
        };
        if waiting.len() < 2 || error.status().is_none() {
            let refused = self.refused(&error);
            let for_good = refused.for_good || (told_before && error.is_permanent());
            return Err(Refused { for_good, told_others: told_before, ..refused });
        }
        let mut refusals: Vec<(&Mailbox, lettre::transport::smtp::Error)> = Vec::new();
        for place in &waiting {
            let to = &self.to[*place];
            match self.to_these(letter, &[to]).await {
                Ok(()) => self.note(key, *place),
                Err(error) if error.status().is_none() => return Err(self.refused(&error)),
                Err(error) => refusals.push((to, error)),
            }
        }
        let told_others = told_before || refusals.len() < waiting.len();
        let Some((_, error)) = refusals.first() else {
            self.forget(key);
            return Ok(());
        };
        let people: Vec<String> = refusals.iter().map(|(to, _)| to.email.to_string()).collect();
        let all_for_good = refusals.iter().all(|(_, error)| error.is_permanent());
        let refused = self.refused(error);
        if all_for_good && told_others {
            self.forget(key);
        }
        Err(Refused {
            why: format!("{}, for {}", refused.why, people.join(", ")),
            for_good: refused.for_good || (all_for_good && told_others),
            told_others,
            ..refused
        })
    }

    async fn to_these(&self, letter: &[u8], people: &[&Mailbox]) -> Result<(), lettre::transport::smtp::Error> {
        let to = people.iter().map(|to| to.email.clone()).collect();
        // It has no other fault than naming nobody.
        let Ok(envelope) = Envelope::new(Some(self.from.email.clone()), to) else { return Ok(()) };
        self.transport.send_raw(&envelope, letter).await.map(|_| ())
    }

    /// The places of those who have not got the mail of this key.
    fn waiting(&self, key: &str) -> Vec<usize> {
        let partly = self.partly.lock().unwrap_or_else(PoisonError::into_inner);
        let told = partly.iter().find(|(of, _)| of == key).map(|(_, told)| told.as_slice()).unwrap_or_default();
        (0..self.to.len()).filter(|place| !told.contains(place)).collect()
    }

    fn note(&self, key: &str, place: usize) {
        let mut partly = self.partly.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, told)) = partly.iter_mut().find(|(of, _)| of == key) {
            told.push(place);
            return;
        }
        if partly.len() == PARTLY_MAX {
            partly.pop_front();
        }
        partly.push_back((key.to_owned(), vec![place]));
    }

    fn forget(&self, key: &str) {
        self.partly.lock().unwrap_or_else(PoisonError::into_inner).retain(|(of, _)| of != key);
    }

    fn letter(&self, body: &str, key: &str) -> Result<Letter, String> {
        let message = Message::read(body);
        let host = self.from.email.domain();
        let mut builder = Letter::builder()
            .from(self.from.clone())
            .subject(message.subject(&self.site))
            // The same over retries, so that a mail told twice can be seen to be one.
            .message_id(Some(format!("<{}@{host}>", digest(key))))
            .header(AutoSubmitted)
            .header(ContentType::TEXT_PLAIN);
        for to in &self.to {
            builder = builder.to(to.clone());
        }
        builder.body(message.letter()).map_err(|error| format!("the mail cannot be written: {error}"))
    }

    fn refused(&self, error: &lettre::transport::smtp::Error) -> Refused {
        // What the server says may hold anything.
        let said: String = root_of(error).chars().take(200).collect();
        let said = said.replace(|letter: char| letter.is_control(), " ");
        let why = match error.status() {
            Some(code) => format!("{} answered {code}: {said}", self.place),
            None => format!("{} cannot be used: {said}", self.place),
        };
        // 552 and 554 are about the mail itself; the rest of 5xx about us, our login or the people.
        let about_the_mail = error.status().is_some_and(|code| ["552", "554"].contains(&code.to_string().as_str()));
        Refused { for_good: error.is_permanent() && about_the_mail, ..Refused::passing(why) }
    }
}

fn parameters(plan: &MailPlan) -> Result<TlsParameters, String> {
    let mut builder = TlsParameters::builder(plan.host.clone());
    if let Some(pem) = &plan.ca_pem {
        let certificate = Certificate::from_pem(pem).map_err(|_| "ca_file holds no certificate".to_owned())?;
        builder = builder.add_root_certificate(certificate);
    }
    builder.build().map_err(|error| format!("TLS cannot be set up ({error})"))
}
