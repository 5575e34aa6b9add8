//! Why a broker is away, in one plain sentence: what, where, what to do.

use std::io::ErrorKind;

use rumqttc::mqttbytes::Error as Codec;
use rumqttc::{ConnectReturnCode, ConnectionError, StateError, TlsError};

use super::link::ANSWER_WAIT;
use crate::config::plan::BrokerPlan;

/// The sentence for `error` of the broker of `plan`.
pub(super) fn why(plan: &BrokerPlan, error: &ConnectionError) -> String {
    let at = format!("{}:{}", plan.host, plan.port);
    match error {
        ConnectionError::ConnectionRefused(code) => refused(plan, &at, *code),
        ConnectionError::NetworkTimeout => {
            format!("{at} gave no answer for {} s; is it a broker, and is it reachable?", ANSWER_WAIT.as_secs())
        }
        ConnectionError::Io(error) | ConnectionError::Tls(TlsError::Io(error)) => io(plan, &at, error),
        ConnectionError::Tls(error) => format!("TLS with {at} failed ({error})"),
        ConnectionError::FlushTimeout | ConnectionError::MqttState(StateError::AwaitPingResp) => {
            format!("the broker at {at} stopped answering")
        }
        ConnectionError::MqttState(StateError::Deserialization(Codec::PayloadSizeLimitExceeded(bytes))) => {
            format!("a message of {bytes} bytes waits at {at}, too long to take in; limit message_size_limit there")
        }
        ConnectionError::MqttState(StateError::Io(error) | StateError::Deserialization(Codec::Io(error))) => {
            format!("the connection to {at} broke ({error})")
        }
        ConnectionError::MqttState(StateError::ConnectionAborted) => {
            format!("the broker at {at} closed the connection")
        }
        ConnectionError::MqttState(_) | ConnectionError::NotConnAck(_) => {
            format!("{at} does not speak MQTT 3.1.1 as it should ({error})")
        }
        ConnectionError::RequestsDone => format!("the connection to {at} ended"),
    }
}

/// The sentence for subscriptions not granted.
pub(super) fn not_granted(plan: &BrokerPlan, filters: &[String]) -> String {
    let filters = filters.join("\", \"");
    let user = plan.username.as_deref().map_or_else(|| "without a user name".to_owned(), |user| format!("as {user:?}"));
    format!(
        "the broker at {}:{} does not let tubwatch ({user}) read \"{filters}\"; allow it in the broker's access list",
        plan.host, plan.port
    )
}

/// The sentence for a broker that throws the connection out again and again.
pub(super) fn thrown_out(plan: &BrokerPlan) -> String {
    format!(
        "the broker at {}:{} closes each connection soon after it opened; does another program use the client \
         identifier {:?}?",
        plan.host, plan.port, plan.client
    )
}

fn refused(plan: &BrokerPlan, at: &str, code: ConnectReturnCode) -> String {
    match code {
        ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized => match &plan.username {
            Some(user) => format!(
                "the broker at {at} does not let {user:?} in: wrong user name or password; check username and \
                 password_file"
            ),
            None => format!("the broker at {at} wants a user name and a password; set username and password_file"),
        },
        ConnectReturnCode::BadClientId => {
            format!("the broker at {at} does not take the client identifier {:?}; set another as client", plan.client)
        }
        ConnectReturnCode::RefusedProtocolVersion => {
            format!("the broker at {at} does not speak MQTT 3.1.1; enable that version there")
        }
        ConnectReturnCode::ServiceUnavailable => format!("the broker at {at} says that it is not available now"),
        ConnectReturnCode::Success => format!("the broker at {at} answered in a way that makes no sense"),
    }
}

fn io(plan: &BrokerPlan, at: &str, error: &std::io::Error) -> String {
    if let Some(tls) = error.get_ref().and_then(|inner| inner.downcast_ref::<rustls::Error>()) {
        return match tls {
            rustls::Error::InvalidCertificate(reason) => format!(
                "the certificate of the broker at {at} is not accepted ({reason}); ca_file must hold the authority \
                 that signed it, and the name in url must be the one it was made for"
            ),
            rustls::Error::AlertReceived(_) => {
                format!("the broker at {at} broke off TLS ({tls}); does it want cert_file and key_file?")
            }
            other => format!("TLS with {at} failed ({other}); is this its TLS port?"),
        };
    }
    match error.kind() {
        ErrorKind::ConnectionRefused => format!("no broker answers at {at}; is it running?"),
        ErrorKind::UnexpectedEof
        | ErrorKind::ConnectionReset
        | ErrorKind::ConnectionAborted
        | ErrorKind::BrokenPipe => {
            format!("the broker at {at} closed the connection")
        }
        _ if error.to_string().contains("lookup") => {
            format!("the name {:?} is not known to this network; check url", plan.host)
        }
        _ => format!("{at} cannot be reached ({error})"),
    }
}
