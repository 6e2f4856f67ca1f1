//! By which names the dashboard answers.
//!
//! A foreign page can point a name of its own at this address (DNS rebinding) and would then be read as the dashboard's own;
//! the browser sends that name as `Host`, and it is refused. Numbers cannot be rebound.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

use axum::http::Uri;

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

    /// Also `names`, by which others on the network know this machine.
    #[must_use]
    pub fn and(self, names: &[String]) -> Self {
        let names = names.iter().map(|name| name.to_ascii_lowercase());
        Self(
            Arc::new(self.0.iter().cloned().chain(names).collect()),
            self.1,
        )
    }

    fn with(more: &[IpAddr], any_number: bool) -> Self {
        let local = ["localhost", "127.0.0.1", "::1"].map(str::to_owned);
        let bound = more.iter().map(IpAddr::to_string);
        Self(
            Arc::new(local.into_iter().chain(bound).collect()),
            any_number,
        )
    }

    /// Whether a `Host` header may say this.
    pub fn allows(&self, authority: &str) -> bool {
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
        let named = hosts.and(&["Bench.local".to_owned()]);
        assert!(named.allows("bench.LOCAL:8000") && !named.allows("x.bench.local"));
        let every = Hosts::bound_to("0.0.0.0:8000".parse().unwrap());
        assert!(every.allows("192.168.0.6:8000") && !every.allows("rebound.example.org:8000"));
    }
}
