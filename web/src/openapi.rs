//! `GET /api/v1/openapi.json`: every route, what it takes and what it gives, for other programs.
//!
//! It is written by hand, in parts under `web/openapi/` that belong together, and put together once. A test here holds it
//! against [`routes`](crate::routes()) and the limits in the code; `tests/python/api_check.py` holds every answer of a running
//! dashboard against it.

use std::sync::LazyLock;

use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde_json::{Map, Value};

/// The parts: the first has what all of them are made of.
const PARTS: [&str; 7] = [
    include_str!("../openapi/site.json"),
    include_str!("../openapi/now.json"),
    include_str!("../openapi/record.json"),
    include_str!("../openapi/told.json"),
    include_str!("../openapi/said.json"),
    include_str!("../openapi/setup.json"),
    include_str!("../openapi/bench.json"),
];

static DOCUMENT: LazyLock<String> = LazyLock::new(|| Value::Object(whole()).to_string());

/// `GET /api/v1/openapi.json`
pub async fn document() -> Response {
    let content = [(header::CONTENT_TYPE, "application/json")];
    (content, DOCUMENT.as_str()).into_response()
}

fn whole() -> Map<String, Value> {
    let parts = PARTS
        .iter()
        .filter_map(|part| serde_json::from_str(part).ok());
    parts.fold(Map::new(), |mut whole, part: Map<String, Value>| {
        add(&mut whole, part);
        whole
    })
}

/// Adds objects into each other; of anything else the first stays.
fn add(to: &mut Map<String, Value>, from: Map<String, Value>) {
    for (key, value) in from {
        match (to.get_mut(&key), value) {
            (Some(Value::Object(known)), Value::Object(more)) => add(known, more),
            (Some(_), _) => {}
            (None, value) => {
                to.insert(key, value);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // a test that fails should say where

    use std::collections::BTreeSet;

    use super::*;
    use crate::download::{DOWNLOAD_ROWS_MAX, DOWNLOADS_MAX};
    use crate::hand::MARK_CHARS_MAX;
    use crate::params::{POINTS_DEFAULT, POINTS_MAX, ROWS_LIMIT_DEFAULT, ROWS_LIMIT_MAX};

    #[test]
    fn every_part_is_read_and_adds_what_no_other_has() {
        let mut seen = BTreeSet::new();
        for part in PARTS {
            let part: Value = serde_json::from_str(part).unwrap();
            for at in ["/paths", "/components/schemas", "/components/parameters"] {
                let names = part.pointer(at).and_then(Value::as_object);
                for name in names.into_iter().flat_map(Map::keys) {
                    assert!(seen.insert(format!("{at}/{name}")), "{at}/{name} twice");
                }
            }
        }
        assert!(whole().contains_key("openapi"));
    }

    #[test]
    fn every_address_is_written_down_and_nothing_else_is() {
        let whole = whole();
        let paths = whole["paths"].as_object().unwrap();
        let written: BTreeSet<(String, String)> = paths
            .iter()
            .flat_map(|(path, item)| {
                let methods = item.as_object().unwrap().keys();
                methods.map(|method| (path.clone(), method.to_uppercase()))
            })
            .collect();
        let routes = crate::routes().flat_map(|(path, methods)| {
            let of_it = methods.iter();
            of_it.map(move |method| (path.to_owned(), (*method).to_owned()))
        });
        assert_eq!(written, routes.collect());
    }

    #[test]
    fn whatever_is_referred_to_is_there() {
        fn walk(value: &Value, each: &mut dyn FnMut(&str)) {
            match value {
                Value::Object(map) => map.iter().for_each(|(key, value)| match value.as_str() {
                    Some(to) if key == "$ref" => each(to),
                    _ => walk(value, each),
                }),
                Value::Array(items) => items.iter().for_each(|item| walk(item, each)),
                _ => {}
            }
        }
        let whole = Value::Object(whole());
        walk(&whole, &mut |to| {
            assert!(
                whole.pointer(to.strip_prefix('#').unwrap()).is_some(),
                "{to}"
            );
        });
    }

    #[test]
    fn the_limits_written_down_are_those_of_the_code() {
        let whole = Value::Object(whole());
        let of_tables = whole["paths"]["/api/v1/table"]["get"]["description"].as_str();
        assert_eq!((DOWNLOAD_ROWS_MAX, DOWNLOADS_MAX), (8_000_000, 2));
        for said in ["8,000,000 rows", "Two downloads"] {
            assert!(of_tables.is_some_and(|text| text.contains(said)), "{said}");
        }
        let figures = [
            ("/components/parameters/points/schema/maximum", POINTS_MAX),
            (
                "/components/parameters/points/schema/default",
                POINTS_DEFAULT,
            ),
            (
                "/components/parameters/limit/schema/maximum",
                ROWS_LIMIT_MAX,
            ),
            (
                "/components/parameters/limit/schema/default",
                ROWS_LIMIT_DEFAULT,
            ),
            (
                "/components/schemas/NewMark/properties/text/maxLength",
                MARK_CHARS_MAX,
            ),
        ];
        for (at, figure) in figures {
            let written = whole.pointer(at).and_then(Value::as_u64);
            assert_eq!(written, Some(figure as u64), "{at}");
        }
    }
}
