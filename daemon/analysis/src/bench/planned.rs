//! A plan in words, so that a person sees what the test will do and judge before it begins.

use super::plan::{Classes, Limit, Load, Plan, Start, TripLimit, Window};
use super::shown::{difference, figure};
use crate::job::{ProtectorKind, TemperatureScale, Unit};

impl Plan {
    /// What is planned for the protector of `unit`: what it is about, and what holds. What was not given is not among it.
    pub fn told(&self, unit: &Unit, scale: TemperatureScale) -> Vec<(&'static str, String)> {
        let mut told = vec![
            ("Protector", kind(unit.protector.kind).to_owned()),
            ("Load", load(self.load).to_owned()),
            ("Openings to be timed", self.repeats.to_string()),
            ("Between them", between(self.rest_s)),
            (
                "A danger",
                format!("{} s with current and not open", self.longest_trip_s),
            ),
        ];
        let mut given = |what, text: Option<String>| told.extend(text.map(|text| (what, text)));
        given(
            "Failed to close",
            self.longest_reset_s
                .map(|s| format!("open for more than {s} s")),
        );
        given("By the ohmmeter", Some(readings(self)));
        let protector = &unit.protector;
        let around = |at: Option<f64>, tol: Option<f64>| {
            let (at, tol) = (at?, tol?);
            Some(format!(
                "{} ± {}",
                figure(at, "Cel", scale),
                difference(tol, "Cel", scale)
            ))
        };
        given(
            "Has to open at",
            around(protector.opens_c, protector.opens_tol_c),
        );
        given(
            "Has to close at",
            around(protector.closes_c, protector.closes_tol_c),
        );
        given(
            "Has to open within",
            self.trip.as_ref().map(|of| trip(of, scale)),
        );
        given(
            "Has to close after",
            self.reset.as_ref().map(|of| limit(of, "s")),
        );
        given(
            "Has to read, cold",
            self.resistance.as_ref().map(|of| limit(of, "Ohm")),
        );
        given("Limits of error", classes(&self.sensors));
        told
    }
}

const fn kind(kind: ProtectorKind) -> &'static str {
    match kind {
        ProtectorKind::ExternalStrip => "strip with heater",
        ProtectorKind::ExternalRound => "round, line-break",
        ProtectorKind::Internal => "internal",
        ProtectorKind::Unknown => "kind not given",
    }
}

const fn load(load: Load) -> &'static str {
    match load {
        Load::LockedRotor => "compressor whose rotor cannot turn: its start winding is not fed",
        Load::SafeLoad => "a load that may draw this current for as long as it takes",
    }
}

fn between(rest_s: Option<f64>) -> String {
    rest_s.map_or_else(
        || "power stays on: each reset begins the next run, a warm one".to_owned(),
        |s| format!("switched off and rested for {s} s after each reset"),
    )
}

fn readings(plan: &Plan) -> String {
    let mut words = vec!["cold before the test"];
    if plan.hot_reading {
        words.push("just after the last opening");
    }
    if plan.cooled_reading {
        words.push("cooled at the end");
    }
    words.join(", ")
}

fn window(of: Window, unit: &str) -> String {
    match (of.least, of.most) {
        (Some(least), Some(most)) => format!("{least} to {most} {unit}"),
        (Some(least), None) => format!("at least {least} {unit}"),
        (None, Some(most)) => format!("at most {most} {unit}"),
        (None, None) => String::new(),
    }
}

fn stands_in(of: Option<&String>) -> String {
    of.map_or_else(String::new, |of| format!(" ({of})"))
}

fn limit(of: &Limit, unit: &str) -> String {
    window(of.window, unit) + &stands_in(of.stands_in.as_ref())
}

fn trip(of: &TripLimit, scale: TemperatureScale) -> String {
    let from = match of.start {
        Start::Cold => "from cold",
        Start::Warm => "warm",
    };
    let room = of.ambient_c.map_or_else(String::new, |c| {
        format!(" in a room at {}", figure(c, "Cel", scale))
    });
    let cited = stands_in(of.stands_in.as_ref());
    format!(
        "{} at {} A, {from}{room}{cited}",
        window(of.window, "s"),
        of.current_a
    )
}

fn classes(of: &Classes) -> Option<String> {
    let clamp = of.clamp.map(|clamp| {
        let share = |percent: f64, text: String| (percent > 0.0).then_some(text);
        let parts = [
            share(clamp.percent, format!("{} % of the reading", clamp.percent)),
            share(
                clamp.range_percent,
                format!("{} % of {} A", clamp.range_percent, clamp.range_a),
            ),
            share(clamp.amps, format!("{} A", clamp.amps)),
        ];
        format!(
            "clamp ± {}",
            parts.into_iter().flatten().collect::<Vec<_>>().join(" ± ")
        )
    });
    let meter = of
        .meter
        .map(|meter| format!("ohmmeter ± {} % ± {} Ohm", meter.percent, meter.ohm));
    let parts = [
        clamp,
        of.bead_k.map(|k| format!("bead ± {k} K")),
        of.time_s.map(|s| format!("time ± {s} s")),
        meter,
    ];
    let given: Vec<String> = parts.into_iter().flatten().collect();
    (!given.is_empty()).then(|| given.join("; "))
}
