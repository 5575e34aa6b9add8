//! The sign of life: an address that is asked for as long as all is well, so that somebody else
//! notices when it is not.
//!
//! In: the address, how often, and a question whether all is well. Out: one GET each time it is. Where
//! something does not work nothing is asked for: whoever expects the sign then raises the alarm. An
//! answer that does not come changes nothing but a line in the log. Left out: what "well" means.

use std::time::Duration;

use axum::body::Bytes;
use axum::http::{HeaderValue, Method, Request, Uri, header};
use http_body_util::Full;
use tokio::time::{MissedTickBehavior, interval, timeout};

use super::http::{HttpClient, client, drain, origin};
use super::refused::root_of;
use crate::config::plan::SignOfLifePlan;

/// The longest one exchange may take.
const ANSWER_WAIT: Duration = Duration::from_secs(15);
/// How soon after a start the first sign may be given, and how often it is looked again where it
/// could not.
const LOOK_AGAIN: Duration = Duration::from_secs(10);

/// Gives the sign until it is dropped. `is_well` says why not where something does not work.
pub async fn run(plan: SignOfLifePlan, is_well: impl Fn() -> Result<(), String> + Send) {
    let sign = match Sign::new(&plan) {
        Ok(sign) => sign,
        Err(why) => {
            tracing::error!("sign of life: {why}; none is given");
            return;
        }
    };
    let mut ticks = interval(plan.every.min(LOOK_AGAIN));
    ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut given_at: Option<tokio::time::Instant> = None;
    let mut said: Option<String> = None;
    loop {
        ticks.tick().await;
        if given_at.is_some_and(|at| at.elapsed() + plan.every / 100 < plan.every) {
            continue;
        }
        let fault = match is_well() {
            Ok(()) => {
                let asked = sign.ask().await;
                // Asked for is asked for: an answer that fails is not asked for sooner.
                given_at = Some(tokio::time::Instant::now());
                asked.err()
            }
            Err(why) => Some(format!("withheld: {why}")),
        };
        if fault != said {
            match &fault {
                Some(why) => tracing::warn!("sign of life: {why}"),
                None if said.is_some() => tracing::info!("sign of life: given again"),
                None => tracing::info!("sign of life: given"),
            }
            said = fault;
        }
    }
}

struct Sign {
    uri: Uri,
    client: HttpClient,
}

impl Sign {
    fn new(plan: &SignOfLifePlan) -> Result<Sign, String> {
        let uri: Uri = plan.url.0.parse().map_err(|_| "its address is no URL; mend sign_of_life.url".to_owned())?;
        let is_https = uri.scheme_str() == Some("https");
        Ok(Sign { client: client(is_https)?, uri })
    }

    async fn ask(&self) -> Result<(), String> {
        let mut request = Request::new(Full::new(Bytes::new()));
        *request.method_mut() = Method::GET;
        *request.uri_mut() = self.uri.clone();
        let agent = HeaderValue::from_static(concat!("tubwatch/", env!("CARGO_PKG_VERSION")));
        request.headers_mut().insert(header::USER_AGENT, agent);
        // Its path and query may be a secret.
        let place = origin(&self.uri);
        let exchange = async {
            let answer = self.client.request(request).await;
            let answer = answer.map_err(|error| format!("{place} cannot be asked: {}", root_of(&error)))?;
            let status = answer.status();
            let _ = timeout(Duration::from_secs(1), drain(answer)).await;
            if status.is_success() { Ok(()) } else { Err(format!("{place} answered {status}")) }
        };
        let late = || Err(format!("{place} gave no answer within {} s", ANSWER_WAIT.as_secs()));
        timeout(ANSWER_WAIT, exchange).await.unwrap_or_else(|_| late())
    }
}
