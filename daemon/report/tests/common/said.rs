//! What a figure of a report has to say, worked out from where it says it comes from.

use nightclamp_analysis::bench::Results;
use nightclamp_analysis::reading::Value;
use nightclamp_analysis::statistics::summary;

/// What a source says.
#[derive(Debug, Clone, PartialEq)]
pub enum Said {
    /// A figure in the table's unit.
    Number(f64),
    /// A temperature that is shown without its unit, Cel.
    Bare(f64),
    /// An instant, record time.
    Instant(i64),
    /// The time of the day of an instant.
    Clock(i64),
    /// Text as it stands.
    Text(String),
    /// One of several texts, or a part of one.
    Among(Vec<String>),
    /// Nothing: the document must show that.
    Nothing,
}

/// A limit of error as a data sheet writes it: the figures that are not nought, with their units.
pub fn class(parts: &[(f64, String)]) -> Said {
    let parts: Vec<String> = parts
        .iter()
        .filter(|(figure, _)| *figure > 0.0)
        .map(|(figure, unit)| format!("{figure} {unit}"))
        .collect();
    Said::Text(match parts.as_slice() {
        [one] => one.clone(),
        all => format!("({})", all.join(" + ")),
    })
}

/// A figure of the results of a bench test. Means, spreads and intervals are worked out anew from what they are made of.
pub fn of_bench(results: &Results, name: &str) -> Said {
    let parts: Vec<&str> = name.split('.').collect();
    let number = |value: Option<f64>| value.map_or(Said::Nothing, Said::Number);
    let bare = |value: Option<f64>| value.map_or(Said::Nothing, Said::Bare);
    let text = |text: &str| Said::Among(vec![text.to_owned()]);
    let index = |n: &str| n.parse::<usize>().unwrap();
    let plan = &results.plan;
    match parts.as_slice() {
        ["unit"] => text(&results.unit.name),
        ["whole"] => text(results.judged.whole.as_str()),
        ["sentence"] => text(&results.judged.sentence),
        ["step"] => text(results.step.as_str()),
        ["span", "from"] => Said::Instant(results.span.unwrap().0),
        ["span", "until"] => Said::Instant(results.span.unwrap().1),
        ["acknowledged", "by"] => text(&results.acknowledged.as_ref().unwrap().1),
        ["acknowledged", "at"] => Said::Clock(results.acknowledged.as_ref().unwrap().0),
        ["plan", "repeats"] => Said::Number(f64::from(plan.repeats)),
        ["plan", "rest_s"] => number(plan.rest_s),
        ["plan", "longest_trip_s"] => Said::Number(plan.longest_trip_s),
        ["plan", "longest_reset_s"] => number(plan.longest_reset_s),
        ["plan", "sensors", "bead_k"] => number(plan.sensors.bead_k),
        ["plan", "sensors", "time_s"] => number(plan.sensors.time_s),
        ["plan", "sensors", "meter"] => {
            let of = plan.sensors.meter.unwrap();
            class(&[(of.percent, "%".to_owned()), (of.ohm, "Ohm".to_owned())])
        }
        ["plan", "sensors", "clamp"] => {
            let of = plan.sensors.clamp.unwrap();
            let range = format!("% of {} A", of.range_a);
            class(&[
                (of.percent, "%".to_owned()),
                (of.range_percent, range),
                (of.amps, "A".to_owned()),
            ])
        }
        ["runs", n, what] => {
            let run = &results.runs[index(n)];
            match *what {
                "number" => number(run.number.map(f64::from)),
                "on_s" => number(run.on_s.map(|of| of.s)),
                "reset" => number(run.reset.map(|of| of.s)),
                "start_a" => number(run.start_a),
                "end_a" => number(run.end_a),
                "rms_a" => number(run.rms_a),
                "i2t_a2s" => number(run.i2t_a2s),
                "case_trip_c" => bare(run.case_trip_c),
                "case_max_c" => bare(run.case_max_c),
                "case_reset_c" => bare(run.case_reset_c),
                "disc_trip_c" => bare(run.disc_trip_c),
                "disc_reset_c" => bare(run.disc_reset_c),
                other => panic!("no figure {other} of a run"),
            }
        }
        ["statistics", n, rest @ ..] => {
            let of = &results.judged.statistics[index(n)];
            let all = summary(of.values.iter().copied()).unwrap();
            match rest {
                ["mean"] => Said::Number(all.mean),
                ["count"] => Said::Number(of.values.len() as f64),
                ["sd"] => Said::Number(all.sd),
                ["of_scatter"] => number(of.of_scatter),
                ["drift", "slope"] => number(of.drift.map(|drift| drift.slope)),
                ["drift", "within"] => number(of.drift.map(|drift| drift.within)),
                other => panic!("no figure {other:?} of a statistic"),
            }
        }
        ["functions", n, "verdict"] => text(results.judged.functions[index(n)].verdict.as_str()),
        ["functions", n, "why"] => text(&results.judged.functions[index(n)].why),
        ["resistance"] => text(&results.judged.resistance.1),
        ["limits", n, rest @ ..] => {
            let of = &results.judged.limits[index(n)];
            let measured = || of.measured.as_ref().unwrap();
            match rest {
                ["least"] => number(of.window.least),
                ["most"] => number(of.window.most),
                ["stands_in"] => text(of.stands_in.as_ref().unwrap()),
                ["verdict"] => text(of.verdict.as_str()),
                ["why"] => text(&of.why),
                ["conformance"] => number(of.conformance),
                ["measured", "value"] => Said::Number(measured().value),
                ["measured", "k"] => Said::Number(measured().k),
                ["measured", "expanded"] => {
                    let squares = measured().parts.iter().map(|part| part.u.powi(2));
                    Said::Number(measured().k * squares.sum::<f64>().sqrt())
                }
                ["parts", part, "u"] => Said::Number(measured().parts[index(part)].u),
                other => panic!("no figure {other:?} of a limit"),
            }
        }
        ["readings", n, "value"] => match &results.readings[index(n)].reading.value {
            Value::Figure(figure) => Said::Number(*figure),
            Value::Open => text("OL (open)"),
        },
        ["readings", n, "at"] => Said::Clock(results.readings[index(n)].at),
        ["remarks", n] => text(&results.remarks[index(n)]),
        ["curve", "error"] => text(results.curve.as_ref().unwrap_err()),
        ["curve", rest @ ..] => {
            let of = results.curve.as_ref().unwrap();
            match rest {
                ["case_c"] => Said::Number(of.case_c),
                ["left_out", n] => text(&of.left_out[index(n)]),
                ["untold", n] => text(&of.untold()[index(n)]),
                ["references", n] => {
                    let line = &of.references[index(n)];
                    Said::Among(vec![
                        format!("{} %", line.percent),
                        line.stands_in.to_owned(),
                    ])
                }
                [what, end] => {
                    let of = match *what {
                        "heating_c_per_a2" => of.fitted.heating_c_per_a2,
                        "tau_s" => of.fitted.tau_s,
                        "opens_c" => of.fitted.opens_c,
                        "closes_c" => of.fitted.closes_c.unwrap(),
                        "ultimate_a" => of.ultimate_a.unwrap(),
                        "ultimate_percent" => of.ultimate_percent.unwrap(),
                        other => panic!("no constant {other}"),
                    };
                    assert!(
                        of.told && of.low <= of.value && of.value <= of.high,
                        "{of:?}"
                    );
                    // A share is shown as per cent.
                    let share = if *what == "ultimate_percent" {
                        0.01
                    } else {
                        1.0
                    };
                    Said::Number(
                        share
                            * match *end {
                                "value" => of.value,
                                "low" => of.low,
                                _ => of.high,
                            },
                    )
                }
                other => panic!("no figure {other:?} of a curve"),
            }
        }
        other => panic!("no figure {other:?} of a bench test"),
    }
}
