//! Routes that change something. Every one is made by [`change`] and takes its body as [`Told`]; with the guard, which
//! looks at every request that is not a mere look, that gives each of them:
//!
//! - **POST and nothing else**: a link, a picture or a reload can change nothing.
//! - **from the dashboard's own page only**, as far as a browser is concerned: see [`is_from_elsewhere`].
//! - **a JSON body** of at most [`BODY_BYTES_MAX`] with known keys; anything else is a problem that names what is wrong.
//!   A form of another site cannot send this content type without being asked for leave first, and no leave is ever given.

use axum::extract::rejection::JsonRejection;
use axum::extract::{DefaultBodyLimit, FromRequest, Json, Request};
use axum::handler::Handler;
use axum::http::{HeaderMap, StatusCode, header};
use axum::routing::{MethodRouter, post};
use serde::de::DeserializeOwned;

use crate::problem::{Problem, named};

/// Longest body, bytes.
pub const BODY_BYTES_MAX: usize = 64 << 10;

/// A route that changes something.
pub fn change<H, T, S>(handler: H) -> MethodRouter<S>
where
    H: Handler<T, S>,
    T: 'static,
    S: Clone + Send + Sync + 'static,
{
    post(handler).layer(DefaultBodyLimit::max(BODY_BYTES_MAX))
}

/// What was told: a JSON body, read. Derive its type with `#[serde(deny_unknown_fields)]`.
#[derive(Debug, Clone)]
pub struct Told<T>(pub T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequest<S> for Told<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<Self, Problem> {
        let Json(told) = Json::from_request(request, state).await.map_err(refusal)?;
        Ok(Self(told))
    }
}

fn refusal(rejection: JsonRejection) -> Problem {
    let status = rejection.status();
    let detail = match status {
        StatusCode::PAYLOAD_TOO_LARGE => {
            format!("the body is longer than {BODY_BYTES_MAX} bytes")
        }
        StatusCode::UNSUPPORTED_MEDIA_TYPE => {
            "the body has to be JSON, with the content type application/json".to_owned()
        }
        _ => format!("the body: {}", named(&rejection.body_text(), "key")),
    };
    Problem::new(status, detail)
}

/// Whether a browser says that a request comes from another site's page.
///
/// Every browser of this decade says `Sec-Fetch-Site`, and `Origin` with every POST. What says neither is no browser, and
/// nobody's cookies are in it: a program on this machine, or one that has the token.
pub fn is_from_elsewhere(headers: &HeaderMap) -> bool {
    let said = |name: &str| headers.get(name).map(|value| value.as_bytes());
    if said("sec-fetch-site").is_some_and(|site| site != b"same-origin") {
        return true;
    }
    let Some(origin) = said(header::ORIGIN.as_str()) else {
        return false;
    };
    // `http://HOST` or `https://HOST`, where the host with its port is the one asked for.
    let host = origin
        .strip_prefix(b"http://")
        .or_else(|| origin.strip_prefix(b"https://"));
    let asked = said(header::HOST.as_str());
    !host.is_some_and(|host| asked.is_some_and(|asked| asked.eq_ignore_ascii_case(host)))
}
