//! The four ways a message leaves: one face for the lane.
//!
//! In: a message as it waits in the outbox, JSON. Out: accepted, or why not. Each way ends within
//! the limit it is given, whatever the other side does. Left out: when to try again (`lane`).

use std::time::Duration;

use super::mail::Mail;
use super::program::Program;
use super::publish::Line;
use super::refused::Refused;
use super::webhook::Webhook;
use crate::config::plan::{MessengerPlan, Way};

/// What a message is told by.
pub(super) enum Carrier {
    Webhook(Webhook),
    Mail(Mail),
    Publish { line: Line, topic: String },
    Run(Program),
}

impl Carrier {
    /// Prepares `messenger`; `line` leads to its broker where it publishes.
    ///
    /// # Errors
    /// One plain sentence where its settings cannot work.
    pub(super) fn new(messenger: &MessengerPlan, site: &str, line: Option<Line>) -> Result<Carrier, String> {
        match &messenger.way {
            Way::Webhook { url, headers, body } => Webhook::new(url, headers, body.clone(), site).map(Carrier::Webhook),
            Way::Mail(plan) => Mail::new(plan, site).map(Carrier::Mail),
            Way::Publish { topic, .. } => {
                let line = line.ok_or_else(|| "its broker is not in the config".to_owned())?;
                Ok(Carrier::Publish { line, topic: topic.clone() })
            }
            Way::Run { program, args } => Ok(Carrier::Run(Program::new(program, args, &messenger.name))),
        }
    }

    /// Tells `body`, within `limit`.
    pub(super) async fn send(&self, body: &str, key: &str, limit: Duration) -> Result<(), Refused> {
        match self {
            Carrier::Webhook(webhook) => webhook.post(body, key, limit).await,
            Carrier::Mail(mail) => mail.send(body, key, limit).await,
            Carrier::Publish { line, topic } => line.publish(topic, body, limit).await,
            Carrier::Run(program) => program.run(body, limit).await,
        }
    }
}
