//! Who may ask, and what every answer carries.
//!
//! The dashboard has no password, so a page from elsewhere must not be able to read it through the browser of somebody on
//! this machine. A foreign page can point a name of its own at this address (DNS rebinding); the browser then sends that
//! name as `Host`, which is refused here. No answer allows another origin to read it.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::{HeaderName, HeaderValue, StatusCode, Uri, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

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

/// The hosts a request may name. Shared by all requests.
#[derive(Debug, Clone)]
pub struct Hosts(Arc<Vec<String>>, bool);

impl Hosts {
    /// This machine by its own names only.
    pub fn local() -> Self {
        Self::with(&[], false)
    }

    /// Also the address the server is bound to. Bound to all addresses, any address written as a number is allowed: a
    /// foreign page can only come in by a name.
    pub fn bound_to(address: SocketAddr) -> Self {
        Self::with(&[address.ip()], address.ip().is_unspecified())
    }

    fn with(more: &[IpAddr], any_number: bool) -> Self {
        let local = ["localhost", "127.0.0.1", "::1"].map(str::to_owned);
        let bound = more.iter().map(IpAddr::to_string);
        Self(
            Arc::new(local.into_iter().chain(bound).collect()),
            any_number,
        )
    }

    fn allows(&self, authority: &str) -> bool {
        let Ok(uri) = authority.parse::<Uri>() else {
            return false;
        };
        let Some(host) = uri.host().filter(|_| !authority.contains(['@', '/'])) else {
            return false;
        };
        let host = host
            .trim_start_matches('[')
            .trim_end_matches(']')
            .to_ascii_lowercase();
        self.0.contains(&host) || (self.1 && host.parse::<IpAddr>().is_ok())
    }
}

/// Refuses a request for another host, and puts the headers on every answer.
pub async fn guard(State(hosts): State<Hosts>, request: Request, next: Next) -> Response {
    let mut named = request.headers().get_all(header::HOST).iter();
    let host = named.next().and_then(|host| host.to_str().ok());
    let allowed = named.next().is_none() && host.is_some_and(|host| hosts.allows(host));
    let mut response = if allowed {
        next.run(request).await
    } else {
        let detail =
            "this dashboard answers to localhost, 127.0.0.1, [::1] and the address it is bound to";
        Problem::new(StatusCode::MISDIRECTED_REQUEST, detail).into_response()
    };
    for (name, value) in HEADERS {
        response
            .headers_mut()
            .insert(name, HeaderValue::from_static(value));
    }
    response
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // a test that fails should say where

    use super::*;

    #[test]
    fn only_this_machine_by_its_own_names() {
        let hosts = Hosts::local();
        for host in [
            "localhost",
            "LOCALHOST:8000",
            "127.0.0.1:1",
            "[::1]:80",
            "[::1]",
        ] {
            assert!(hosts.allows(host), "{host}");
        }
        let strangers = [
            "example.org",
            "localhost.example.org",
            "127.0.0.1.example.org",
            "",
            "user@localhost",
            "192.168.0.5",
            "localhost/x",
            "0.0.0.0",
        ];
        for host in strangers {
            assert!(!hosts.allows(host), "{host}");
        }
    }

    #[test]
    fn the_bound_address_too() {
        let hosts = Hosts::bound_to("192.168.0.5:8000".parse().unwrap());
        assert!(hosts.allows("192.168.0.5:8000") && !hosts.allows("192.168.0.6"));
        let every = Hosts::bound_to("0.0.0.0:8000".parse().unwrap());
        assert!(every.allows("192.168.0.6:8000") && !every.allows("rebound.example.org:8000"));
    }
}
