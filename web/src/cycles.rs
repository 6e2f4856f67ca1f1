//! The table of cycles, sorted, filtered and paged here so that thousands stay fluid there; and one cycle with everything
//! that is known of it.

use std::cmp::Ordering;

use axum::Json;
use axum::extract::State;
use axum::http::Uri;
use axum::response::{IntoResponse, Response};
use nightclamp_analysis::rows::{Cause, CycleRow, EndedBy, RecordTime};
use serde::{Deserialize, Serialize};
use serde_json::json;

use crate::evidence::Copied;
use crate::live::Live;
use crate::night;
use crate::params::{self, Chosen, Params};
use crate::problem::Problem;
use crate::rows::Kept;
use crate::verdicts::Verdict;
use crate::view::CycleView;

/// Rows that can be skipped at most.
const SKIP_MAX: usize = 1_000_000;
/// Findings of a cycle are looked for among the cycles this far around it, µs: twelve hours.
const AROUND_US: i64 = 12 * 3_600 * 1_000_000;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    unit: Option<String>,
    from: Option<String>,
    to: Option<String>,
    limit: Option<String>,
    skip: Option<String>,
    sort: Option<String>,
    order: Option<String>,
    start: Option<String>,
    ended_by: Option<String>,
    cause: Option<String>,
}

/// What rows are sorted by; those without it come last, whichever way.
#[derive(Debug, Clone, Copy)]
enum Sort {
    Text(fn(&CycleRow) -> Option<&'static str>),
    Figure(fn(&CycleRow) -> Option<f64>),
    Time,
}

/// Every order by its name, that of the column.
const SORTS: [(&str, Sort); 11] = [
    ("on_at", Sort::Time),
    ("on_s", Sort::Figure(|row| row.on_s)),
    ("off_s", Sort::Figure(|row| row.off_s)),
    ("start", Sort::Text(|row| Some(row.start.as_str()))),
    (
        "ended_by",
        Sort::Text(|row| row.ended_by.map(EndedBy::as_str)),
    ),
    ("cause", Sort::Text(|row| row.cause.map(Cause::as_str))),
    ("peak_a", Sort::Figure(|row| row.peak_a)),
    ("run_a", Sort::Figure(|row| row.run_a)),
    ("end_a", Sort::Figure(|row| row.end_a)),
    ("case_off_c", Sort::Figure(|row| row.case_off_c)),
    ("disc_c", Sort::Figure(|row| row.disc_c)),
];

impl Sort {
    fn named(name: &str) -> Result<Self, Problem> {
        let of_it = SORTS.iter().find(|(known, _)| *known == name);
        of_it.map(|(_, sort)| *sort).ok_or_else(|| {
            let names = SORTS.map(|(name, _)| name).join(", ");
            Problem::bad_query(format!("sort: one of {names} is needed"))
        })
    }

    fn compare(self, a: &CycleRow, b: &CycleRow, descending: bool) -> Ordering {
        let turned = |order: Ordering| if descending { order.reverse() } else { order };
        let by_key = match self {
            Self::Time => Ordering::Equal,
            Self::Text(of) => last_if_none(of(a), of(b), |a, b| turned(a.cmp(b))),
            Self::Figure(of) => {
                let finite = |row| of(row).filter(|value| value.is_finite());
                last_if_none(finite(a), finite(b), |a, b| turned(a.total_cmp(b)))
            }
        };
        by_key.then_with(|| turned(a.on_at.cmp(&b.on_at)))
    }
}

fn last_if_none<T>(a: Option<T>, b: Option<T>, both: impl Fn(&T, &T) -> Ordering) -> Ordering {
    match (&a, &b) {
        (Some(a), Some(b)) => both(a, b),
        (Some(_), None) => Ordering::Less,
        (None, Some(_)) => Ordering::Greater,
        (None, None) => Ordering::Equal,
    }
}

/// What is asked of the table.
struct Asked {
    params: Params,
    skip: usize,
    sort: Sort,
    descending: bool,
    chosen: Chosen,
}

impl Asked {
    fn from_uri(uri: &Uri) -> Result<Self, Problem> {
        let raw: Raw = params::read(uri)?;
        let params = Params::checked(params::Raw {
            unit: raw.unit,
            from: raw.from,
            to: raw.to,
            limit: raw.limit,
            points: None,
        })?;
        let descending = match raw.order.as_deref() {
            None | Some("desc") => true,
            Some("asc") => false,
            Some(_) => return Err(Problem::bad_query("order: asc or desc is needed")),
        };
        let skip = match raw.skip.as_deref() {
            None | Some("0") => 0,
            Some(_) => params::count("skip", raw.skip, 0, SKIP_MAX)?,
        };
        Ok(Self {
            params,
            skip,
            sort: Sort::named(raw.sort.as_deref().unwrap_or("on_at"))?,
            descending,
            chosen: Chosen::checked(raw.start, raw.ended_by, raw.cause)?,
        })
    }
}

/// `GET /api/v1/cycles?unit=&from=&to=&limit=&skip=&sort=&order=&start=&ended_by=&cause=`: newest first unless told otherwise,
/// and how many there are.
pub async fn list(State(live): State<Live>, uri: Uri) -> Result<Response, Problem> {
    let asked = Asked::from_uri(&uri)?;
    let (from_us, to_us) = asked.params.range();
    let (total, kept) = {
        let view = live.view();
        let unit = crate::api::unit(&view, &asked.params)?;
        let lists = view.lists.get(&unit.name);
        let rows = lists
            .into_iter()
            .flat_map(|lists| lists.cycles.reaching(from_us, to_us));
        let mut rows: Vec<(&CycleRow, bool)> =
            rows.filter(|(row, _)| asked.chosen.takes(row)).collect();
        rows.sort_by(|(a, _), (b, _)| asked.sort.compare(a, b, asked.descending));
        let page = rows.iter().skip(asked.skip).take(asked.params.limit);
        let kept = page.map(|(row, is_final)| Kept {
            row: (*row).clone(),
            is_final: *is_final,
        });
        (rows.len(), kept.collect::<Vec<_>>())
    };
    let cycles: Vec<CycleView> = kept.into_iter().map(CycleView::from).collect();
    let answer =
        json!({ "unit": asked.params.unit, "total": total, "skip": asked.skip, "cycles": cycles });
    Ok(Json(answer).into_response())
}

/// What a cycle was said to be.
#[derive(Serialize)]
struct VerdictView {
    at_us: RecordTime,
    start: &'static str,
    ended_by: Option<&'static str>,
    cause: Option<&'static str>,
    basis: String,
    #[serde(rename = "final")]
    is_final: bool,
}

impl From<&Verdict> for VerdictView {
    fn from(said: &Verdict) -> Self {
        Self {
            at_us: said.at_us,
            start: said.start.as_str(),
            ended_by: said.ended_by.map(EndedBy::as_str),
            cause: said.cause.map(Cause::as_str),
            basis: said.basis.clone(),
            is_final: said.is_final,
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawOne {
    unit: Option<String>,
    on_at: Option<String>,
}

/// `GET /api/v1/cycle?unit=&on_at=`: one cycle with the off-period before it, what it was said to be before, and what is said
/// of the record that rests on it.
pub async fn one(State(live): State<Live>, uri: Uri) -> Result<Response, Problem> {
    let raw: RawOne = params::read(&uri)?;
    let on_at = params::instant("on_at", raw.on_at)?.ok_or_else(|| {
        Problem::bad_query("on_at: the instant at which the cycle began is needed")
    })?;
    let params = Params::checked(params::Raw {
        unit: raw.unit,
        from: Some(on_at.saturating_sub(AROUND_US).to_string()),
        to: Some(on_at.saturating_add(AROUND_US).to_string()),
        ..params::Raw::default()
    })?;
    let (kept, before_s, verdicts, since_us) = {
        let view = live.view();
        let unit = crate::api::unit(&view, &params)?;
        let lists = view.lists.get(&unit.name);
        let none = || Problem::not_found("on_at: no cycle began then, or its row is on disk alone");
        let lists = lists.ok_or_else(none)?;
        let mut before = None;
        let mut found = None;
        for (row, is_final) in lists.cycles.reaching(i64::MIN, i64::MAX) {
            if row.on_at == on_at {
                let row = row.clone();
                found = Some(Kept { row, is_final });
            } else if row.next_on_at == Some(on_at) {
                before = row.off_s;
            }
        }
        let verdicts: Vec<VerdictView> = lists
            .verdicts
            .of(on_at)
            .iter()
            .map(VerdictView::from)
            .collect();
        let since_us = lists.verdicts.since_us();
        (found.ok_or_else(none)?, before, verdicts, since_us)
    };
    let said = night::resting_on(&Copied::of(&live, &params)?, on_at);
    let answer = json!({
        "unit": params.unit,
        "cycle": CycleView::from(kept),
        "off_before_s": before_s,
        "verdicts": verdicts,
        "verdicts_since_us": since_us,
        "sentences": said,
    });
    Ok(Json(answer).into_response())
}
