//! `GET /api/v1/bench/table`: what the page of a bench test shows, as a file.

use axum::extract::State;
use axum::http::Uri;
use axum::response::Response;
use nightclamp_analysis::bench::{Judged, Pair, Repeat, Results, Start, Timed, Window};
use nightclamp_analysis::excerpt::Made;
use nightclamp_analysis::reading::Taken;
use serde::Deserialize;

use super::BenchTest;
use super::routes::of;
use crate::download;
use crate::params;
use crate::problem::Problem;
use crate::serve::Site;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    table: Option<String>,
    format: Option<String>,
}

/// A table by its name, and what makes it.
type Table = (&'static str, fn(&BenchTest) -> Made);

const TABLES: [Table; 5] = [
    ("runs", runs),
    ("figures", figures),
    ("verdicts", verdicts),
    ("readings", readings),
    ("beside", beside),
];

/// `GET /api/v1/bench/table?table=&format=`
pub async fn table(State(site): State<Site>, uri: Uri) -> Result<Response, Problem> {
    let test = of(&site)?;
    let raw: Raw = params::read(&uri)?;
    let asked = raw.table.unwrap_or_default();
    let found = TABLES.into_iter().find(|(name, _)| *name == asked);
    let (table, made) = found.ok_or_else(|| {
        let names = TABLES.map(|(name, _)| name).join(", ");
        Problem::bad_query(format!("table: one of {names} is needed"))
    })?;
    let form = download::form(raw.format.as_deref())?;
    let name = download::file_name(&test.0.unit, &format!("bench-{table}"), None, form);
    download::given_table(&site, &name, form, made(test)).await
}

fn results<T>(test: &BenchTest, of: impl FnOnce(&Results) -> T) -> Option<T> {
    test.0.told.results.borrow().as_deref().map(of)
}

/// Every run of current so far; once the test is over also where the model's disc was.
fn runs(test: &BenchTest) -> Made {
    let so_far = || {
        test.stand()
            .map_or_else(Vec::new, |stand| stand.runs.clone())
    };
    let runs = results(test, |results| results.runs.clone()).unwrap_or_else(so_far);
    let s = |timed: Option<Timed>| timed.map(|timed| timed.s);
    let u_s = |timed: Option<Timed>| timed.map(|timed| timed.u_s);
    Made::of(&test.0.unit, &runs)
        .count("number", |run: &Repeat| run.number.map(|n| n as usize))
        .word("from", |run| run.start.map(Start::as_str))
        .instant("on_at", |run| Some(run.on_at))
        .instant("off_at", |run| run.off_at)
        .instant("back_at", |run| run.back_at)
        .word("ended_by", |run| Some(run.ended.words()))
        .figure("on_s", |run| s(run.on_s))
        .figure("on_u_s", |run| u_s(run.on_s))
        .figure("reset_s", |run| s(run.reset))
        .figure("reset_u_s", |run| u_s(run.reset))
        .truth("reset_certain", |run| run.reset.map(|_| run.reset_certain))
        .figure("start_a", |run| run.start_a)
        .figure("end_a", |run| run.end_a)
        .figure("rms_a", |run| run.rms_a)
        .figure("i2t_a2s", |run| run.i2t_a2s)
        .figure("missing_s", |run| Some(run.missing_s))
        .figure("case_on_c", |run| run.case_on_c)
        .figure("case_trip_c", |run| run.case_trip_c)
        .figure("case_max_c", |run| run.case_max_c)
        .figure("case_reset_c", |run| run.case_reset_c)
        .figure("ambient_c", |run| run.ambient_c)
        .figure("disc_trip_c", |run| run.disc_trip_c)
        .figure("disc_reset_c", |run| run.disc_reset_c)
        .made()
}

/// Figures of the repeats.
fn figures(test: &BenchTest) -> Made {
    let figures = results(test, |results| results.judged.statistics.clone()).unwrap_or_default();
    Made::of(&test.0.unit, &figures)
        .word("what", |of| Some(of.what))
        .word("unit_of_it", |of| Some(of.unit))
        .count("repeats", |of| Some(of.summary.count))
        .figure("mean", |of| Some(of.summary.mean))
        .figure("sd", |of| {
            Some(of.summary.sd).filter(|_| of.summary.count > 1)
        })
        .figure("least", |of| Some(of.summary.least))
        .figure("median", |of| Some(of.summary.median))
        .figure("most", |of| Some(of.summary.most))
        .figure("mean_within", |of| of.of_scatter)
        .figure("drift_a_repeat", |of| of.drift.map(|drift| drift.slope))
        .figure("drift_within", |of| of.drift.map(|drift| drift.within))
        .made()
}

/// A verdict with what it rests on.
struct Row {
    what: &'static str,
    verdict: &'static str,
    why: String,
    unit: Option<&'static str>,
    window: Option<Window>,
    stands_in: Option<String>,
    /// Value, standard uncertainty, coverage factor.
    measured: Option<(f64, f64, f64)>,
    conformance: Option<f64>,
}

/// What it does at all, then limit by limit.
fn verdicts(test: &BenchTest) -> Made {
    let rows = results(test, |results| rows(&results.judged)).unwrap_or_default();
    Made::of(&test.0.unit, &rows)
        .word("what", |row| Some(row.what))
        .word("verdict", |row| Some(row.verdict))
        .figure("not_below", |row| {
            row.window.and_then(|window| window.least)
        })
        .figure("not_above", |row| row.window.and_then(|window| window.most))
        .word("unit_of_it", |row| row.unit)
        .word("stands_in", |row| row.stands_in.clone())
        .figure("measured", |row| row.measured.map(|measured| measured.0))
        .figure("standard_uncertainty", |row| {
            row.measured.map(|measured| measured.1)
        })
        .figure("coverage_factor", |row| {
            row.measured.map(|measured| measured.2)
        })
        .figure("probability_of_conformance", |row| row.conformance)
        .word("why", |row| Some(row.why.clone()))
        .made()
}

fn rows(judged: &Judged) -> Vec<Row> {
    let functions = judged.functions.iter().map(|function| Row {
        what: function.what,
        verdict: function.verdict.as_str(),
        why: function.why.clone(),
        unit: None,
        window: None,
        stands_in: None,
        measured: None,
        conformance: None,
    });
    let limits = judged.limits.iter().map(|limit| Row {
        what: limit.what,
        verdict: limit.verdict.as_str(),
        why: limit.why.clone(),
        unit: Some(limit.unit),
        window: Some(limit.window),
        stands_in: limit.stands_in.clone(),
        measured: limit.measured.as_ref().map(|of| (of.value, of.u, of.k)),
        conformance: limit.conformance,
    });
    functions.chain(limits).collect()
}

/// What the ohmmeter showed.
fn readings(test: &BenchTest) -> Made {
    let readings = results(test, |results| results.readings.clone()).unwrap_or_default();
    Made::of(&test.0.unit, &readings)
        .instant("time", |taken: &Taken| Some(taken.at))
        .word("what", |taken| Some(taken.reading.what.as_str()))
        .figure("reading", |taken| taken.reading.value.figure())
        .word("unit_of_it", |taken| Some(taken.reading.what.unit()))
        .truth("open", |taken| Some(taken.reading.value.figure().is_none()))
        .word("by", |taken| Some(taken.reading.by.clone()))
        .made()
}

/// The constants side by side; no row unless something was to stand beside them.
fn beside(test: &BenchTest) -> Made {
    let of = |results: &Results| test.0.beside.as_ref().map(|beside| beside.pairs(results));
    let pairs = results(test, of).flatten().unwrap_or_default();
    Made::of(&test.0.unit, &pairs)
        .word("what", |pair: &Pair| Some(pair.what))
        .word("unit_of_it", |pair| Some(pair.unit))
        .figure("first", |pair| pair.first.map(|of| of.value))
        .figure("second", |pair| pair.second.map(|of| of.value))
        .figure("difference", |pair| pair.difference)
        .figure("difference_within", |pair| pair.within)
        .truth("differs", |pair| pair.difference.map(|_| pair.differs()))
        .made()
}
