//! What every request goes through, and what every answer carries.
//!
//! In this order: by a name that is ours ([`Hosts`]); no change for another site's page
//! ([`is_from_elsewhere`](crate::change::is_from_elsewhere)); let in, where a token is needed ([`Keeper`]). No answer allows
//! another origin to read it. A handler that panics is answered for.

use std::net::{IpAddr, Ipv4Addr};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::pin::pin;
use std::sync::Arc;
use std::task::Poll;
use std::time::Instant;

use axum::extract::{ConnectInfo, Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};

use crate::access::{Keeper, Turned};
use crate::change::is_from_elsewhere;
use crate::hosts::Hosts;
use crate::listening::Peer;
use crate::problem::Problem;

const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; \
    img-src 'self' data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

const HEADERS: [(HeaderName, &str); 6] = [
    (header::CONTENT_SECURITY_POLICY, POLICY),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::CACHE_CONTROL, "no-store"),
    (
        HeaderName::from_static("cross-origin-resource-policy"),
        "same-origin",
    ),
    (
        HeaderName::from_static("cross-origin-opener-policy"),
        "same-origin",
    ),
];

/// What is open to everybody who can reach a dashboard with a token: the way in, and that the program lives.
const OPEN: [&str; 6] = [
    "/login",
    "/assets/login.js",
    "/assets/scheme.js",
    "/assets/style.css",
    "/assets/icon.svg",
    "/healthz",
];

/// The way in.
#[derive(Clone)]
pub struct Gate {
    /// Names that are ours.
    pub hosts: Hosts,
    /// Who lets people in; nobody where everybody may.
    pub keeper: Option<Arc<Keeper>>,
}

/// Lets a request through or answers it, and puts the headers on every answer.
pub async fn guard(State(gate): State<Gate>, request: Request, next: Next) -> Response {
    let mut response = match gate.look_at(&request) {
        Ok(()) => caught(next.run(request)).await.unwrap_or_else(|| {
            let detail = "this is a fault of the program; what is recorded is not touched by it";
            Problem::new(StatusCode::INTERNAL_SERVER_ERROR, detail).into_response()
        }),
        Err(answer) => *answer,
    };
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    response
}

/// What a future comes to, or nothing if it panics.
async fn caught<F: Future>(future: F) -> Option<F::Output> {
    let mut future = pin!(future);
    std::future::poll_fn(|context| {
        let polled = catch_unwind(AssertUnwindSafe(|| future.as_mut().poll(context)));
        polled.map_or(Poll::Ready(None), |polled| polled.map(Some))
    })
    .await
}

/// Where a request comes from; nowhere in a test without a socket.
pub fn peer_of(request: &Request) -> IpAddr {
    let peer = request.extensions().get::<ConnectInfo<Peer>>();
    peer.map_or(IpAddr::V4(Ipv4Addr::UNSPECIFIED), |info| info.0.0.ip())
}

impl Gate {
    fn look_at(&self, request: &Request) -> Result<(), Box<Response>> {
        let refuse = |problem: Problem| Box::new(problem.into_response());
        self.look_at_origin(request.method(), request.headers())
            .map_err(refuse)?;
        let path = request.uri().path();
        let Some(keeper) = self.keeper.as_ref().filter(|_| !OPEN.contains(&path)) else {
            return Ok(());
        };
        keeper
            .admit(request.headers(), peer_of(request), Instant::now())
            .map_err(|turned| match (turned, path) {
                (Turned::Away, "/" | "/bench" | "/setup") => {
                    Box::new(Redirect::to("/login").into_response())
                }
                (turned, _) => Box::new(turned_away(turned)),
            })
    }

    fn look_at_origin(&self, method: &Method, headers: &HeaderMap) -> Result<(), Problem> {
        let mut named = headers.get_all(header::HOST).iter();
        let host = named.next().and_then(|host| host.to_str().ok());
        if named.next().is_some() || !host.is_some_and(|host| self.hosts.allows(host)) {
            let detail = "this dashboard answers to localhost, 127.0.0.1, [::1], the address it is bound to, and names \
                          that it was started with (--host)";
            return Err(Problem::new(StatusCode::MISDIRECTED_REQUEST, detail));
        }
        if !method.is_safe() && is_from_elsewhere(headers) {
            let detail = "only the dashboard's own page may change anything";
            return Err(Problem::new(StatusCode::FORBIDDEN, detail));
        }
        Ok(())
    }
}

/// The answer to somebody who is not let in.
pub fn turned_away(turned: Turned) -> Response {
    match turned {
        Turned::Away => {
            let detail = "the access token is needed: at /login, or as Authorization: Bearer TOKEN";
            let mut response = Problem::new(StatusCode::UNAUTHORIZED, detail).into_response();
            let scheme = HeaderValue::from_static("Bearer realm=\"nightclamp\"");
            response
                .headers_mut()
                .insert(header::WWW_AUTHENTICATE, scheme);
            response
        }
        Turned::AwayFor(wait) => {
            let wait_s = wait.as_secs() + 1;
            let detail =
                format!("too many wrong tokens came from your address: try again in {wait_s} s");
            let mut response = Problem::new(StatusCode::TOO_MANY_REQUESTS, detail).into_response();
            response
                .headers_mut()
                .insert(header::RETRY_AFTER, HeaderValue::from(wait_s));
            response
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic)] // a test that fails should say where

    use axum::body::Body;
    use axum::routing::get;
    use axum::{Router, middleware};
    use tower::ServiceExt;

    use super::*;

    #[tokio::test]
    async fn a_fault_of_ours_is_answered_for() {
        let gate = Gate {
            hosts: Hosts::local(),
            keeper: None,
        };
        let faulty = async || -> &'static str { panic!("on purpose") };
        let app = Router::new()
            .route("/", get(faulty))
            .layer(middleware::from_fn_with_state(gate, guard));
        let request = Request::get("/").header("host", "localhost");
        let response = app.oneshot(request.body(Body::empty()).unwrap()).await;
        let response = response.unwrap();
        assert_eq!(response.status(), StatusCode::INTERNAL_SERVER_ERROR);
        assert_eq!(
            response.headers()["content-type"],
            "application/problem+json"
        );
        assert_eq!(response.headers()["x-content-type-options"], "nosniff");
    }
}
