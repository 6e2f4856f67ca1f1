//! `GET /metrics`: what a monitoring system wants to know, as OpenMetrics text (<https://prometheus.io/docs/specs/om/open_metrics_spec/>).
//!
//! Instants are by the host's clock. What is not known has no sample. No label but a board's id comes from a board, and
//! whatever stands in one is escaped.

use std::fmt::Write;
use std::sync::Arc;

use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};

use crate::live::{Live, wall_us};
use crate::view::{BoardView, NowView, UnitView};

const CONTENT_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// Codes of a unit's state: see [`State`](crate::state::State).
const STATES: [&str; 6] = [
    "no-data",
    "off",
    "protector-open",
    "starting",
    "running",
    "locked-rotor",
];

/// `GET /metrics`
pub async fn metrics(State(live): State<Live>) -> Response {
    let now = Arc::clone(&live.view().now);
    let host = Host {
        wall_us: wall_us(),
        free_bytes: live.free_bytes(),
        is_stuck: live.what_is_stuck().is_some(),
    };
    ([(header::CONTENT_TYPE, CONTENT_TYPE)], text(&now, &host)).into_response()
}

/// What is not in the view.
struct Host {
    wall_us: i64,
    /// Free space of the record's disk, if it has been looked at.
    free_bytes: Option<u64>,
    /// A stage of the recorder has not moved for long.
    is_stuck: bool,
}

fn text(now: &NowView, host: &Host) -> String {
    let mut text = Text(String::new());
    text.family("nightclamp_build", "info", "", "The program.");
    text.sample(
        "nightclamp_build_info",
        &[("version", env!("CARGO_PKG_VERSION"))],
        1.0,
    );
    units(&mut text, &now.units, host);
    boards(&mut text, &now.boards);
    record(&mut text, now, host);
    text.0.push_str("# EOF\n");
    text.0
}

fn units(text: &mut Text, units: &[UnitView], host: &Host) {
    let gauge = |text: &mut Text, name, unit, help, of: &dyn Fn(&UnitView) -> Option<f64>| {
        text.family(name, "gauge", unit, help);
        for unit in units {
            if let Some(value) = of(unit) {
                text.sample(name, &[("unit", &unit.name)], value);
            }
        }
    };
    gauge(
        text,
        "nightclamp_current_amperes",
        "amperes",
        "Current in the lead, last sample.",
        &|unit| unit.current_a,
    );
    gauge(
        text,
        "nightclamp_case_celsius",
        "celsius",
        "The protector's case, last sample.",
        &|unit| unit.case_c,
    );
    gauge(
        text,
        "nightclamp_last_sample_timestamp_seconds",
        "seconds",
        "When the last sample came.",
        &|unit| unit.last_arrival_us.map(|us| us as f64 / 1e6),
    );
    gauge(
        text,
        "nightclamp_last_sample_age_seconds",
        "seconds",
        "How long ago that was.",
        &|unit| {
            let age_us = host.wall_us.saturating_sub(unit.last_arrival_us?);
            Some(age_us as f64 / 1e6)
        },
    );
    gauge(
        text,
        "nightclamp_danger",
        "",
        "1 while a danger is told of the unit.",
        &|unit| Some(f64::from(u8::from(unit.danger.is_some()))),
    );
    gauge(
        text,
        "nightclamp_doubted_sensors",
        "",
        "Sensors that cannot be believed now.",
        &|unit| Some(unit.doubts.len() as f64),
    );
    text.family("nightclamp_state", "stateset", "", "What it is doing.");
    for unit in units {
        for state in STATES {
            let labels = [("unit", unit.name.as_str()), ("nightclamp_state", state)];
            let is_it = f64::from(u8::from(unit.state.code == state));
            text.sample("nightclamp_state", &labels, is_it);
        }
    }
    for (name, help, of) in [
        (
            "nightclamp_starts",
            "Starts in the record.",
            (|unit| unit.starts) as fn(&UnitView) -> u64,
        ),
        (
            "nightclamp_trips",
            "Openings of the protector in the record.",
            |unit| unit.trips,
        ),
    ] {
        text.family(name, "counter", "", help);
        for unit in units {
            text.total(name, &[("unit", &unit.name)], of(unit));
        }
    }
}

fn boards(text: &mut Text, boards: &[BoardView]) {
    text.family(
        "nightclamp_samples",
        "counter",
        "",
        "Samples taken from a board.",
    );
    for board in boards {
        text.total("nightclamp_samples", &[("board", &board.id)], board.samples);
    }
    text.family(
        "nightclamp_refused_lines",
        "counter",
        "",
        "Lines from a board that were damaged or made no sense.",
    );
    for board in boards {
        let labels = [("board", board.id.as_str())];
        text.total("nightclamp_refused_lines", &labels, board.refused);
    }
    text.family(
        "nightclamp_board_problems",
        "gauge",
        "",
        "Problems of a board that are shown.",
    );
    for board in boards {
        let labels = [("board", board.id.as_str())];
        let problems = board.problems.len() as f64;
        text.sample("nightclamp_board_problems", &labels, problems);
    }
    text.family(
        "nightclamp_capture_lag_seconds",
        "gauge",
        "seconds",
        "From a line's arrival until it was synced, worked out and shown, at the last that was.",
    );
    for board in boards {
        if let Some(lag_s) = board.lag_s {
            let labels = [("board", board.id.as_str())];
            text.sample("nightclamp_capture_lag_seconds", &labels, lag_s);
        }
    }
}

fn record(text: &mut Text, now: &NowView, host: &Host) {
    text.family(
        "nightclamp_notices",
        "gauge",
        "",
        "What is the matter with the record itself.",
    );
    for (level, is_it) in [("danger", true), ("notice", false)] {
        let of_it = now
            .notices
            .iter()
            .filter(|notice| (notice.level == crate::Level::Danger) == is_it);
        text.sample(
            "nightclamp_notices",
            &[("level", level)],
            of_it.count() as f64,
        );
    }
    text.family(
        "nightclamp_stuck",
        "gauge",
        "",
        "1 while a stage of the recorder has not moved for long.",
    );
    text.sample("nightclamp_stuck", &[], f64::from(u8::from(host.is_stuck)));
    text.family(
        "nightclamp_caught_up_ratio",
        "gauge",
        "ratio",
        "How much of the record on disk has been read: 1 once the view is live.",
    );
    text.sample(
        "nightclamp_caught_up_ratio",
        &[],
        now.catching_up.unwrap_or(1.0),
    );
    text.family(
        "nightclamp_disk_free_bytes",
        "gauge",
        "bytes",
        "Free space of the record's disk.",
    );
    if let Some(free) = host.free_bytes {
        text.sample("nightclamp_disk_free_bytes", &[], free as f64);
    }
}

/// The text of metrics.
struct Text(String);

impl Text {
    /// Begins a family; its name ends in its unit, if it has one.
    fn family(&mut self, name: &str, kind: &str, unit: &str, help: &str) {
        // Writing into a String never fails.
        writeln!(self.0, "# TYPE {name} {kind}").unwrap_or_default();
        if !unit.is_empty() {
            writeln!(self.0, "# UNIT {name} {unit}").unwrap_or_default();
        }
        writeln!(self.0, "# HELP {name} {help}").unwrap_or_default();
    }

    fn sample(&mut self, name: &str, labels: &[(&str, &str)], value: f64) {
        self.name(name, labels);
        writeln!(self.0, " {value}").unwrap_or_default();
    }

    /// A sample of a counter.
    fn total(&mut self, name: &str, labels: &[(&str, &str)], count: u64) {
        self.name(&format!("{name}_total"), labels);
        writeln!(self.0, " {count}").unwrap_or_default();
    }

    fn name(&mut self, name: &str, labels: &[(&str, &str)]) {
        self.0.push_str(name);
        for (at, (label, value)) in labels.iter().enumerate() {
            self.0.push(if at == 0 { '{' } else { ',' });
            write!(self.0, "{label}=\"").unwrap_or_default();
            for c in value.chars() {
                match c {
                    '\\' => self.0.push_str("\\\\"),
                    '"' => self.0.push_str("\\\""),
                    '\n' => self.0.push_str("\\n"),
                    c => self.0.push(c),
                }
            }
            self.0.push('"');
        }
        if !labels.is_empty() {
            self.0.push('}');
        }
    }
}

#[cfg(test)]
mod tests {
    use nightclamp_analysis::status::UnitStatus;

    use super::*;
    use crate::state::State;

    #[test]
    fn a_name_cannot_leave_its_label_and_what_is_not_known_has_no_sample() {
        let status = UnitStatus {
            name: "a\"} 9\n# EOF\\".to_owned(),
            current_a: Some(f64::NAN),
            case_c: Some(61.25),
            last_arrival: Some(5_000_000),
            ..UnitStatus::default()
        };
        let state = State {
            code: "running",
            words: "Running",
        };
        let now = NowView {
            units: vec![UnitView::of(status, state, Vec::new())],
            ..NowView::default()
        };
        let host = Host {
            wall_us: 7_500_000,
            free_bytes: Some(1 << 40),
            is_stuck: false,
        };
        let text = text(&now, &host);
        let name = r#"unit="a\"} 9\n# EOF\\""#;
        for line in [
            format!("nightclamp_case_celsius{{{name}}} 61.25"),
            format!("nightclamp_last_sample_age_seconds{{{name}}} 2.5"),
            format!("nightclamp_state{{{name},nightclamp_state=\"running\"}} 1"),
            format!("nightclamp_starts_total{{{name}}} 0"),
            "nightclamp_disk_free_bytes 1099511627776".to_owned(),
        ] {
            assert!(text.lines().any(|known| known == line), "{line}\n{text}");
        }
        assert!(!text.contains("nightclamp_current_amperes{"));
        assert_eq!(text.matches("\n# EOF").count(), 1);
        assert!(text.ends_with("\n# EOF\n"));
    }
}
