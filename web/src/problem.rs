//! Errors as problem details (RFC 9457, `application/problem+json`).

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde_json::json;

/// What went wrong, for the one who asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    status: StatusCode,
    detail: String,
}

impl Problem {
    /// A problem with its status and a sentence that says what to change.
    pub fn new(status: StatusCode, detail: impl Into<String>) -> Self {
        Self {
            status,
            detail: detail.into(),
        }
    }

    /// A query that cannot be answered as it stands.
    pub fn bad_query(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, detail)
    }

    /// A body that is well-formed and says what cannot be.
    pub fn unfit(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, detail)
    }

    /// Something that is not there.
    pub fn not_found(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, detail)
    }
}

/// What a reader of a query or a body finds wrong, without its own opening words, and what it calls a field by its name here:
/// "missing key `text` at line 1 column 18", "unknown parameter `form`, expected one of `unit`, `from`".
pub fn named(said: &str, name: &str) -> String {
    let why = said.split_once(": ").map_or(said, |(_, why)| why);
    why.replace("field `", &format!("{name} `"))
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        // `type` is left at "about:blank": the title is then the status's own phrase (RFC 9457, section 4.2.1).
        let body = json!({
            "type": "about:blank",
            "title": self.status.canonical_reason().unwrap_or("Error"),
            "status": self.status.as_u16(),
            "detail": self.detail,
        });
        let content = (
            header::CONTENT_TYPE,
            HeaderValue::from_static("application/problem+json"),
        );
        (self.status, [content], body.to_string()).into_response()
    }
}
