//! The results of a bench test in words.

use super::curve::{Curve, ONE_DISC};
use super::judge::{Judgement, Statistic, TOO_FEW};
use super::plan::Start;
use super::repeat::{Repeat, Timed};
use super::results::Results;
use super::sequence::Step;
use super::sheet::{Block, Drawn, Mark, RunRow, Sheet};
use super::shown::{degrees, difference, figure, shown, temperature};
use crate::job::TemperatureScale;
use crate::protector::Estimate;
use crate::reading::Value;

/// Of the curve's points every so many are told in words.
const POINTS_TOLD: usize = 8;

impl Results {
    /// Everything that the bench test came to, in words.
    pub fn told(&self, scale: TemperatureScale) -> Sheet {
        results(self, scale)
    }
}

fn results(results: &Results, scale: TemperatureScale) -> Sheet {
    let mut out = Sheet::default();
    let judged = &results.judged;
    out.line(&format!("Bench test of a protector: {}", results.unit.name));
    let whole = judged.whole.as_str();
    out.verdict(whole, &format!("Whole: {whole}."));
    // The heading has the verdict already.
    let beyond = judged.sentence.strip_prefix(whole).unwrap_or_default();
    out.line(&match beyond.strip_prefix(": ") {
        Some(why) => format!("Why: {why}"),
        None => beyond.trim_start_matches(['.', ';', ' ']).to_owned(),
    });
    if results.step != Step::Finished {
        out.line(&format!(
            "The test was not finished: it stands at {}.",
            results.step.as_str()
        ));
    }
    match &results.acknowledged {
        Some((_, by)) => out.line(&format!("Cautions acknowledged by {by}.")),
        None => out.line("Nobody has acknowledged the cautions."),
    }
    out.head("Runs");
    out.blocks.push(runs(&results.runs, scale));
    out.head("Figures of the repeats");
    judged
        .statistics
        .iter()
        .for_each(|of| statistic(&mut out, of, scale));
    let is_few = |of: &Statistic| of.drift.is_none();
    if !judged.statistics.is_empty() && judged.statistics.iter().all(is_few) {
        out.line(TOO_FEW);
    }
    out.head("What it does");
    for of in &judged.functions {
        let verdict = of.verdict.as_str();
        out.verdict(verdict, &format!("{}: {verdict}. {}", of.what, of.why));
    }
    out.line(&format!("By the ohmmeter: {}", judged.resistance.1));
    for taken in &results.readings {
        let shown = match taken.reading.value {
            Value::Figure(figure) => format!("{figure} {}", taken.reading.what.unit()),
            Value::Open => "OL (open)".to_owned(),
        };
        out.beneath(1, &format!("{}: {shown}", taken.reading.what.words()));
    }
    out.head("Limits that were given");
    if judged.limits.is_empty() {
        out.line("None was given, so none is judged.");
    }
    judged
        .limits
        .iter()
        .for_each(|of| limit(&mut out, of, scale));
    out.head("Its constants, from these runs alone");
    match &results.curve {
        Ok(of) => curve(&mut out, of, scale),
        Err(why) => out.line(why),
    }
    if !results.remarks.is_empty() {
        out.head("To be known beside the figures");
        results.remarks.iter().for_each(|remark| out.line(remark));
    }
    out
}

/// The runs of current so far, as a table.
pub fn runs(runs: &[Repeat], scale: TemperatureScale) -> Block {
    let degree = temperature(0.0, scale).1;
    let heads = [
        "#".to_owned(),
        "from".to_owned(),
        "on s".to_owned(),
        "start A".to_owned(),
        "end A".to_owned(),
        "rms A".to_owned(),
        "I²t A²s".to_owned(),
        format!("trip {degree}"),
        format!("most {degree}"),
        "reset s".to_owned(),
        format!("reset {degree}"),
        "ended by".to_owned(),
    ];
    let rows = runs.iter().map(|run| run_row(run, scale)).collect();
    let heads = Box::new(heads);
    Block::Runs { heads, rows }
}

fn run_row(run: &Repeat, scale: TemperatureScale) -> RunRow {
    let s = |timed: Option<Timed>, decimals| shown(timed.map(|timed| timed.s), decimals);
    let number = run.number.map(|number| number.to_string());
    let cells = [
        number.unwrap_or_else(|| "-".to_owned()),
        run.start.map_or("-", Start::as_str).to_owned(),
        s(run.on_s, 2),
        shown(run.start_a, 2),
        shown(run.end_a, 2),
        shown(run.rms_a, 2),
        shown(run.i2t_a2s, 0),
        degrees(run.case_trip_c, scale),
        degrees(run.case_max_c, scale),
        s(run.reset, 1),
        degrees(run.case_reset_c, scale),
        run.ended.words().to_owned(),
    ];
    let beneath = run.disc_trip_c.map(|disc_c| {
        let reset = run.disc_reset_c.map_or_else(String::new, |c| {
            format!(", {} when it closed", figure(c, "Cel", scale))
        });
        format!(
            "by the model its disc was at {} when it opened{reset}",
            figure(disc_c, "Cel", scale)
        )
    });
    RunRow { cells, beneath }
}

fn statistic(out: &mut Sheet, of: &Statistic, scale: TemperatureScale) {
    let summary = &of.summary;
    let scatter = of.of_scatter.map_or_else(String::new, |half| {
        format!(
            " ± {} by the repeats alone",
            difference(half, of.unit, scale)
        )
    });
    let spread = if summary.count > 1 {
        format!(
            ", standard deviation {}",
            difference(summary.sd, of.unit, scale)
        )
    } else {
        String::new()
    };
    let drift = of.drift.map_or_else(String::new, |drift| {
        let slope = difference(drift.slope, of.unit, scale);
        let within = difference(drift.within, of.unit, scale);
        if drift.stands_out {
            format!("; it drifts: {slope} ± {within} a repeat")
        } else {
            format!(
                "; from repeat to repeat {slope} ± {within}: a drift that is smaller would not show"
            )
        }
    });
    let mean = figure(summary.mean, of.unit, scale);
    out.line(&format!(
        "{}: {mean}{scatter}, of {}{spread}{drift}",
        of.what, summary.count
    ));
}

fn limit(out: &mut Sheet, of: &Judgement, scale: TemperatureScale) {
    let end = |end: f64| figure(end, of.unit, scale);
    let window = match (of.window.least, of.window.most) {
        (Some(least), Some(most)) => format!("{} to {}", end(least), end(most)),
        (Some(least), None) => format!("at least {}", end(least)),
        (None, Some(most)) => format!("at most {}", end(most)),
        (None, None) => String::new(),
    };
    let measured = of.measured.as_ref().map_or_else(String::new, |measured| {
        format!(
            " Measured {} ± {} (k = {:.2}).",
            end(measured.value),
            difference(measured.expanded(), of.unit, scale),
            measured.k
        )
    });
    let conformance = of.conformance.map_or_else(String::new, |p| {
        format!(" It conforms with a probability of {:.1} %.", 100.0 * p)
    });
    let stands_in = of
        .stands_in
        .as_ref()
        .map_or_else(String::new, |of| format!(" ({of})"));
    let verdict = of.verdict.as_str();
    // Where it was measured, that says no more than the figures.
    let why = match of.measured {
        Some(_) => String::new(),
        None => format!(" {}.", of.why),
    };
    out.verdict(
        verdict,
        &format!(
            "{}, {window}{stands_in}: {verdict}.{measured}{conformance}{why}",
            of.what
        ),
    );
    let parts = of.measured.iter().flat_map(|measured| &measured.parts);
    for part in parts {
        let u = difference(part.u, of.unit, scale);
        out.beneath(2, &format!("{}: u = {u}", part.from));
    }
}

fn estimate(of: Estimate, unit: &str, scale: TemperatureScale) -> String {
    if !of.told {
        return "these runs do not tell it".to_owned();
    }
    let [value, low, high] = [of.value, of.low, of.high].map(|value| figure(value, unit, scale));
    format!("{value}, with 95 % from {low} to {high}")
}

fn curve(out: &mut Sheet, of: &Curve, scale: TemperatureScale) {
    let fitted = &of.fitted;
    let rows = [
        ("heating constant", Some(fitted.heating_c_per_a2), "K/A²"),
        ("time constant", Some(fitted.tau_s), "s"),
        ("opening temperature", Some(fitted.opens_c), "Cel"),
        ("closing temperature", fitted.closes_c, "Cel"),
        ("ultimate trip current", of.ultimate_a, "A"),
        ("the same of rated load", of.ultimate_percent, "%"),
    ];
    for (what, value, unit) in rows {
        let shown = value.map_or_else(|| "not measured".to_owned(), |e| estimate(e, unit, scale));
        out.line(&format!("{what}: {shown}"));
    }
    for untold in of.untold() {
        out.beneath(1, &untold);
    }
    out.line(ONE_DISC);
    for line in &of.references {
        out.beneath(
            1,
            &format!(
                "beside it: {} % of rated load ({})",
                line.percent, line.stands_in
            ),
        );
    }
    for why in &of.left_out {
        out.beneath(1, &format!("not fitted: {why}"));
    }
    trip_times(out, of, scale);
}

/// The curve, drawn and in words.
fn trip_times(out: &mut Sheet, of: &Curve, scale: TemperatureScale) {
    if of.measured.is_empty() {
        return;
    }
    out.head("Time to trip against current");
    let case = figure(of.case_c, "Cel", scale);
    let told = format!("Fitted, from cold, in a case that stays at {case}");
    out.blocks.push(Block::Curve(Box::new(drawn(of, &told))));
    if of.points.is_empty() {
        return out.line("The runs do not tell the curve: only what was measured is shown.");
    }
    out.line(&format!("{told}, with its 95 % band:"));
    for point in of.points.iter().step_by(POINTS_TOLD) {
        let text = format!(
            "at {:.2} A after {:.1} s ({:.1} to {:.1} s)",
            point.amps, point.trip_s, point.low_s, point.high_s
        );
        out.beneath(1, &text);
    }
}

fn drawn(of: &Curve, told: &str) -> Drawn {
    let measured = of.measured.iter().map(|point| Mark {
        amps: point.amps,
        s: Some(point.trip_s),
        what: point.start.map_or("unknown", Start::as_str).to_owned(),
    });
    let ultimate = of.ultimate_a.filter(|ultimate| ultimate.told);
    // By the rated load that the plan gives: its per cent are of that.
    let rated_a = of.ultimate_a.zip(of.ultimate_percent);
    let rated_a = rated_a.map(|(amps, percent)| 100.0 * amps.value / percent.value);
    let references = of.references.iter().filter_map(|line| {
        Some(Mark {
            amps: rated_a? * line.percent / 100.0,
            s: None,
            what: format!("{} % of rated load", line.percent),
        })
    });
    Drawn {
        told: told.to_owned(),
        curve: of
            .points
            .iter()
            .map(|point| [point.amps, point.trip_s, point.low_s, point.high_s])
            .collect(),
        measured: measured.collect(),
        ultimate_a: ultimate.map(|of| [of.value, of.low, of.high]),
        references: references.collect(),
    }
}
