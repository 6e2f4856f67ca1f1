//! Who may look, where others than this machine can reach the dashboard.
//!
//! On loopback everybody may: whoever can reach it is on this machine. Beyond it there is one access token for the whole
//! dashboard, made by the program and written where only its user reads it. A browser trades it for a cookie at `/login`; a
//! program sends it as `Authorization: Bearer TOKEN`. Tokens and cookies are compared in constant time; wrong ones cost an
//! address its tries ([`tries`]). Sessions are kept in memory only: a restart of the program ends them all, and so does a new
//! token.

mod token;
mod tries;

use std::collections::VecDeque;
use std::net::IpAddr;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use axum::http::{HeaderMap, header};
use subtle::ConstantTimeEq;

pub use token::Token;
use tries::Tries;

/// Sessions at the same time; the one that was used longest ago makes room.
const SESSIONS_MAX: usize = 64;
/// A session that was not used for so long has ended.
pub const SESSION_IDLE: Duration = Duration::from_secs(30 * 86_400);

/// The doorkeeper of a dashboard that has a token.
pub struct Keeper {
    token: Token,
    /// A browser sends cookies to every port of a host: the name tells one recorder from another.
    cookie_name: String,
    is_secure: bool,
    state: Mutex<State>,
}

#[derive(Default)]
struct State {
    sessions: VecDeque<Session>,
    tries: Tries,
}

struct Session {
    id: Token,
    used: Instant,
}

/// Why somebody is not let in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turned {
    /// Nothing was shown, or nothing that is known.
    Away,
    /// Too many wrong ones came from there: to be tried again after this time.
    AwayFor(Duration),
}

impl Keeper {
    /// For a dashboard on `port`, whose cookies go over TLS only if `is_secure`.
    pub fn new(token: Token, port: u16, is_secure: bool) -> Self {
        let prefix = if is_secure { "__Host-" } else { "" };
        Self {
            token,
            cookie_name: format!("{prefix}nightclamp-{port}"),
            is_secure,
            state: Mutex::default(),
        }
    }

    /// Whether the one who sent `headers` from `peer` may look, at `now`.
    pub fn admit(&self, headers: &HeaderMap, peer: IpAddr, now: Instant) -> Result<(), Turned> {
        let mut state = self.lock();
        if let Some(shown) = bearer(headers) {
            return self.try_token(&mut state, shown, peer, now);
        }
        let shown = self.cookie(headers).ok_or(Turned::Away)?;
        state
            .use_session(shown, now)
            .then_some(())
            .ok_or(Turned::Away)
    }

    /// A new session for who shows the token: the cookie to set.
    pub fn log_in(&self, shown: &str, peer: IpAddr, now: Instant) -> Result<String, Turned> {
        // Without randomness nobody comes in.
        let id = Token::random().map_err(|_| Turned::Away)?;
        let mut state = self.lock();
        self.try_token(&mut state, shown, peer, now)?;
        if state.sessions.len() >= SESSIONS_MAX {
            state.sessions.pop_front();
        }
        let cookie = self.set_cookie(id.as_str(), SESSION_IDLE);
        state.sessions.push_back(Session { id, used: now });
        Ok(cookie)
    }

    /// Ends the session of who sent `headers`: the cookie that takes the other's place.
    pub fn log_out(&self, headers: &HeaderMap) -> String {
        if let Some(shown) = self.cookie(headers) {
            let mut state = self.lock();
            state.sessions.retain(|session| !session.id.is(shown));
        }
        self.set_cookie("", Duration::ZERO)
    }

    fn try_token(
        &self,
        state: &mut State,
        shown: &str,
        peer: IpAddr,
        now: Instant,
    ) -> Result<(), Turned> {
        state.tries.may_try(peer, now).map_err(Turned::AwayFor)?;
        if self.token.is(shown) {
            return Ok(());
        }
        state.tries.wrong(peer, now);
        Err(Turned::Away)
    }

    fn cookie<'a>(&self, headers: &'a HeaderMap) -> Option<&'a str> {
        let all = headers.get_all(header::COOKIE).iter();
        all.filter_map(|line| line.to_str().ok())
            .flat_map(|line| line.split(';'))
            .filter_map(|pair| pair.trim().split_once('='))
            .find_map(|(name, value)| (name == self.cookie_name).then_some(value))
    }

    fn set_cookie(&self, value: &str, age: Duration) -> String {
        let (name, age_s) = (&self.cookie_name, age.as_secs());
        let secure = if self.is_secure { "; Secure" } else { "" };
        format!("{name}={value}; Path=/; Max-Age={age_s}; HttpOnly; SameSite=Strict{secure}")
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, State> {
        // Whoever panicked while holding it left at worst a try uncounted.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl State {
    /// Whether `shown` is a session's id; then it counts as used and goes to the end of the line.
    fn use_session(&mut self, shown: &str, now: Instant) -> bool {
        let is_old = |session: &Session| now.saturating_duration_since(session.used) > SESSION_IDLE;
        self.sessions.retain(|session| !is_old(session));
        // All of them are looked at, so that how long it takes says nothing.
        let found = self
            .sessions
            .iter()
            .enumerate()
            .fold(None, |found, (at, session)| {
                if session.id.is(shown) {
                    Some(at)
                } else {
                    found
                }
            });
        let Some(mut session) = found.and_then(|at| self.sessions.remove(at)) else {
            return false;
        };
        session.used = now;
        self.sessions.push_back(session);
        true
    }
}

fn bearer(headers: &HeaderMap) -> Option<&str> {
    let shown = headers.get(header::AUTHORIZATION)?.to_str().ok()?;
    let (scheme, token) = shown.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then_some(token)
}

/// Whether two texts are the same, in a time that tells nothing but their lengths.
fn is_same(a: &str, b: &str) -> bool {
    a.as_bytes().ct_eq(b.as_bytes()).into()
}

#[cfg(test)]
mod tests;
