//! What a person at the bench is to see: one line that says what to do, and figures large enough to read from where he stands.

use super::note::Act;
use super::sequence::Step;
use super::session::Bench;
use crate::protector::Interval;
use crate::reading::What;
use crate::rows::RecordTime;

/// What a figure is, so that it is shown in its unit (temperatures in the person's scale).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shown {
    /// A.
    Amps,
    /// Cel.
    Celsius,
    /// s.
    Seconds,
}

/// A figure to be shown large.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figure {
    /// What it is, in a word or two.
    pub label: &'static str,
    /// Its value; `None` where there is no reading.
    pub value: Option<f64>,
    /// What it is in.
    pub shown: Shown,
}

/// What to do now. All instants are record time.
#[derive(Debug, Clone, PartialEq)]
pub struct Guidance {
    /// Where the test stands.
    pub step: Step,
    /// Since when.
    pub since: RecordTime,
    /// The newest sample.
    pub now: RecordTime,
    /// The repeat that is due or under way, from 1.
    pub repeat: u32,
    /// Of how many.
    pub repeats: u32,
    /// What to do now, in one short line.
    pub line: String,
    /// Figures to be shown large, the most important first.
    pub figures: Vec<Figure>,
    /// While it is open: when it will have closed again, s from `now`; `None` while that is not foreseeable.
    pub recloses: Option<Interval>,
    /// A danger in force, with what to do. Show it above everything else.
    pub danger: Option<String>,
    /// The reading by hand that is asked for: a note `reading unit=... what=...`.
    pub asks: Option<What>,
    /// What the person can say now: notes `bench ...`. Abort and done are always among them while the test goes on.
    pub acts: Vec<Act>,
}

impl Guidance {
    pub(super) fn of(bench: &Bench) -> Self {
        let sequence = &bench.sequence;
        let repeats = bench.plan().repeats;
        let is_counted = sequence.run().is_some_and(|run| run.is_opening());
        let is_after = matches!(
            sequence.step,
            Step::Overshoot | Step::Cooling | Step::NotClosing | Step::HotReading
        );
        let done = sequence.openings - u32::from(is_counted && is_after);
        Self {
            step: sequence.step,
            since: sequence.since,
            now: sequence.now,
            repeat: (done + 1).min(repeats),
            repeats,
            line: line(bench),
            figures: figures(bench),
            recloses: bench.recloses(),
            danger: danger(bench),
            asks: sequence.asks(),
            acts: sequence.acts(),
        }
    }
}

fn danger(bench: &Bench) -> Option<String> {
    let sequence = &bench.sequence;
    if sequence.is_too_long() {
        let on_s = sequence.on_s().unwrap_or(0.0);
        return Some(format!(
            "It has carried current for {on_s:.0} s and has not opened: switch off at the isolator now, and keep clear."
        ));
    }
    sequence.is_out_of_turn().then(|| {
        "Current flows although none is due: switch off at the isolator now, unless you mean it.".to_owned()
    })
}

/// What to do in each step.
fn line(bench: &Bench) -> String {
    let sequence = &bench.sequence;
    let is_last = sequence.openings >= bench.plan().repeats;
    let text = match sequence.step {
        Step::Cautions => "Read the cautions, and acknowledge them.",
        Step::ColdReading => {
            "Isolated and proved dead: measure across the protector, cold, and enter the ohms (OL for open)."
        }
        Step::AtRest => sequence
            .at_rest
            .unwrap_or("Hands off: the sensors are looked at with no current."),
        Step::Ready => "Covers on, stand clear: switch on now.",
        Step::Heating => "Current flows. Stay by the isolator; it should open by itself.",
        Step::TooLong => "It has not opened. Switch off now.",
        Step::Overshoot if is_last => "It has opened. Leave the power on; the case still warms.",
        Step::Overshoot => {
            "It has opened. Leave the power on and touch nothing; the case still warms."
        }
        Step::Cooling => {
            "It cools. Leave the power on and touch nothing: current comes back by itself."
        }
        Step::NotClosing => {
            "It has not closed again in the time given. Isolate; let it cool, measure it, and say done."
        }
        Step::SwitchOff if is_last => "Switch off and isolate now.",
        Step::SwitchOff => "It has closed. Switch off now, and let it cool.",
        Step::Resting => "Off: let it cool until the next run.",
        Step::HotReading => {
            "Switch off, isolate, prove dead; then measure across the protector at once and enter the ohms (OL for open)."
        }
        Step::CooledReading => {
            "Isolated and proved dead: once it is cold, measure across the protector again and enter the ohms."
        }
        Step::Finished => "Finished. Isolate, and read the result.",
        Step::Aborted if sequence.failed_to_open => {
            "It did not open in time. Isolate. Do not use this protector; say done, or resume to try again."
        }
        Step::Aborted => "Stopped. Isolate. Resume to go on, or say done.",
    };
    text.to_owned()
}

fn figures(bench: &Bench) -> Vec<Figure> {
    let sequence = &bench.sequence;
    let seconds = |label, from: RecordTime| Figure {
        label,
        value: Some(((sequence.now - from) as f64 / 1e6).max(0.0)),
        shown: Shown::Seconds,
    };
    let amps = Figure {
        label: "current",
        value: bench.amps(),
        shown: Shown::Amps,
    };
    let case = Figure {
        label: "case",
        value: bench.last.map(|s| s.case_c).filter(|c| c.is_finite()),
        shown: Shown::Celsius,
    };
    let mut figures = Vec::new();
    match (sequence.step, sequence.run()) {
        (Step::Heating | Step::TooLong | Step::SwitchOff, Some(run)) if run.off_at.is_none() => {
            figures.extend([seconds("with current", run.on_at), amps, case]);
        }
        (Step::Overshoot | Step::Cooling | Step::NotClosing | Step::HotReading, Some(run)) => {
            figures.extend(run.off_at.map(|off_at| seconds("open for", off_at)));
            figures.push(case);
            let on_s = run.on_s.map(|on| on.s);
            figures.push(Figure {
                label: "opened after",
                value: on_s,
                shown: Shown::Seconds,
            });
        }
        (Step::Resting, Some(run)) => {
            if let (Some(off_at), Some(rest_s)) = (run.off_at, bench.plan().rest_s) {
                let gone_s = (sequence.now - off_at) as f64 / 1e6;
                figures.push(Figure {
                    label: "still to rest",
                    value: Some((rest_s - gone_s).max(0.0)),
                    shown: Shown::Seconds,
                });
            }
            figures.push(case);
        }
        _ => figures.extend([case, amps]),
    }
    figures
}
