//! Coming in and going out, where a token is needed.

use std::sync::Arc;
use std::time::Instant;

use axum::extract::{FromRequest, Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;

use crate::access::Keeper;
use crate::change::Told;
use crate::guard::{peer_of, turned_away};
use crate::problem::Problem;
use crate::serve::Site;

/// The body of `POST /login`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Shown {
    token: String,
}

/// `POST /login`: the token for a cookie.
pub async fn log_in(State(site): State<Site>, request: Request) -> Result<Response, Problem> {
    let keeper = keeper(&site)?;
    let peer = peer_of(&request);
    let Told(Shown { token }) = Told::from_request(request, &site).await?;
    Ok(match keeper.log_in(&token, peer, Instant::now()) {
        Ok(cookie) => with_cookie(&cookie),
        Err(turned) => {
            tracing::warn!("a wrong access token was shown by {peer}");
            turned_away(turned)
        }
    })
}

/// `POST /logout`: the session ends.
pub async fn log_out(State(site): State<Site>, headers: HeaderMap) -> Result<Response, Problem> {
    Ok(with_cookie(&keeper(&site)?.log_out(&headers)))
}

fn keeper(site: &Site) -> Result<&Arc<Keeper>, Problem> {
    let nobody = || {
        Problem::not_found("this dashboard has no access token: everybody on this machine may look")
    };
    site.keeper().ok_or_else(nobody)
}

fn with_cookie(cookie: &str) -> Response {
    let mut response = StatusCode::NO_CONTENT.into_response();
    // Cookies are made of letters and digits of ours: there is nothing in them that a header could not hold.
    if let Ok(cookie) = HeaderValue::from_str(cookie) {
        response.headers_mut().insert(header::SET_COOKIE, cookie);
    }
    response
}
