//! `GET /api/v1/laid`: starts and trips laid over each other as a file: every sample of each, with how far it is from the
//! instant that they are aligned at.

use std::io::Write;
use std::ops::Range;

use axum::extract::State;
use axum::http::Uri;
use axum::response::Response;
use nightclamp_analysis::excerpt::{ExcerptError, Form, Made};
use nightclamp_analysis::overview::{History, LINES, Line};
use nightclamp_analysis::rows::RecordTime;
use serde::Deserialize;

use crate::download;
use crate::live::Live;
use crate::params::{self, Params};
use crate::problem::Problem;
use crate::series;
use crate::serve::Site;

/// So many can be laid over each other.
const LAID_MAX: usize = 4;
/// The longest stretch of each, µs: six hours.
const STRETCH_US_MAX: i64 = 6 * 3_600 * 1_000_000;
/// It is read in parts of so much, µs: ten minutes.
const PART_US: i64 = 600 * 1_000_000;
const LETTERS: [&str; LAID_MAX] = ["A", "B", "C", "D"];

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    unit: Option<String>,
    laid: Option<String>,
    since: Option<String>,
    until: Option<String>,
    format: Option<String>,
}

/// A start or a trip.
struct Item {
    letter: &'static str,
    kind: &'static str,
    at: RecordTime,
}

/// What is asked for.
struct Asked {
    params: Params,
    items: Vec<Item>,
    /// From the instant that they are aligned at, µs.
    stretch: Range<i64>,
    form: Form,
}

impl Asked {
    fn from_uri(uri: &Uri) -> Result<Self, Problem> {
        let raw: Raw = params::read(uri)?;
        let params = Params::checked(params::Raw {
            unit: raw.unit,
            ..params::Raw::default()
        })?;
        let items = items(raw.laid.as_deref().unwrap_or_default())?;
        let needed = |name: &str, given| {
            params::instant(name, given)?.ok_or_else(|| {
                let detail = format!("{name}: microseconds from the instant are needed");
                Problem::bad_query(detail)
            })
        };
        let stretch = needed("since", raw.since)?..needed("until", raw.until)?;
        let length_us = stretch.end.saturating_sub(stretch.start);
        if !(1..=STRETCH_US_MAX).contains(&length_us) {
            let detail = "since: has to be before until, by six hours at most";
            return Err(Problem::bad_query(detail));
        }
        Ok(Self {
            params,
            items,
            stretch,
            form: download::form(raw.format.as_deref())?,
        })
    }

    /// Each of them in parts, in order.
    fn parts(&self) -> Vec<(usize, Range<RecordTime>)> {
        let Range { start, end } = self.stretch;
        let parts = |at: RecordTime| {
            let begins = (start..end).step_by(PART_US as usize);
            begins.map(move |from| {
                let until = from.saturating_add(PART_US).min(end);
                at.saturating_add(from)..at.saturating_add(until)
            })
        };
        let items = self.items.iter().enumerate();
        items
            .flat_map(|(n, item)| parts(item.at).map(move |times| (n, times)))
            .collect()
    }
}

/// `start@1795630120000000,trip@1795630700000000`
fn items(text: &str) -> Result<Vec<Item>, Problem> {
    let one = |(letter, text): (&'static str, &str)| {
        let (kind, at) = text.split_once('@')?;
        let kind = ["start", "trip"].into_iter().find(|known| *known == kind)?;
        let at = at.parse().ok()?;
        Some(Item { letter, kind, at })
    };
    let items: Option<Vec<Item>> = LETTERS.into_iter().zip(text.split(',')).map(one).collect();
    let is_all = text.split(',').count() <= LAID_MAX;
    items.filter(|_| is_all).ok_or_else(|| {
        Problem::bad_query(format!(
            "laid: one to {LAID_MAX} of start@ and trip@, each with its instant in microseconds, are needed, with commas between"
        ))
    })
}

/// `GET /api/v1/laid?unit=&laid=&since=&until=&format=`
pub async fn file(State(site): State<Site>, uri: Uri) -> Result<Response, Problem> {
    let asked = Asked::from_uri(&uri)?;
    let live = site.live().clone();
    let lines = crate::api::unit(&live.view(), &asked.params)?.roles.clone();
    let (unit, form) = (&asked.params.unit, asked.form);
    let first_us = asked.items.first().map(|item| item.at);
    let name = download::file_name(unit, "laid", first_us, form);
    let make = move |history: &dyn History, to: &mut (dyn Write + Send)| {
        let parts = asked.parts().into_iter();
        let mut parts = parts.map(|(n, times)| part(&live, history, &asked, n, times, &lines));
        history.write(&mut parts, form, to)
    };
    download::given(&site, &name, form, false, Box::new(make)).await
}

/// The samples of a part of one of them.
fn part(
    live: &Live,
    history: &dyn History,
    asked: &Asked,
    n: usize,
    times: Range<RecordTime>,
    lines: &[Line],
) -> Result<Made, ExcerptError> {
    let unit = &asked.params.unit;
    let mut rows: Vec<(RecordTime, [f64; LINES])> = Vec::new();
    series::every_sample(live, unit, times, history, &mut |time, values| {
        let mut row = [f64::NAN; LINES];
        row.iter_mut().zip(values).for_each(|(to, of)| *to = *of);
        rows.push((time, row));
    })
    .map_err(ExcerptError::Unreadable)?;
    let item = asked.items.get(n);
    let at = item.map_or(0, |item| item.at);
    let mut made = Made::of(unit, &rows)
        .word("laid", |_| item.map(|item| item.letter))
        .word("kind", |_| item.map(|item| item.kind))
        .instant("aligned_at", |_| Some(at))
        .figure("since_s", |(time, _)| {
            Some(time.saturating_sub(at) as f64 / 1e6)
        })
        .instant("time", |(time, _)| Some(*time));
    for (n, line) in lines.iter().enumerate() {
        // `current_a` of `current_low_a`.
        let name = line.columns().0.replacen("_low", "", 1);
        made = made.figure(name, |(_, values)| values.get(n).copied());
    }
    Ok(made.made())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // a test that fails should say where

    use super::*;

    fn asked(query: &str) -> Result<Asked, Problem> {
        let uri = format!("/api/v1/laid?unit=freezer&format=csv&{query}");
        Asked::from_uri(&uri.parse().unwrap())
    }

    #[test]
    fn what_is_laid_is_read_part_by_part_and_what_cannot_be_is_refused() {
        let of_two = asked("laid=start@5000000,trip@7000000&since=-1000000&until=600000000");
        let parts = of_two.unwrap().parts();
        let first = [
            (0, 4_000_000..604_000_000),
            (0, 604_000_000..605_000_000),
            (1, 6_000_000..606_000_000),
            (1, 606_000_000..607_000_000),
        ];
        assert_eq!(parts, first);
        for (query, culprit) in [
            ("since=0&until=1", "laid"),
            ("laid=&since=0&until=1", "laid"),
            ("laid=stop@5&since=0&until=1", "laid"),
            ("laid=start@5,&since=0&until=1", "laid"),
            (
                "laid=start@1,start@2,start@3,start@4,start@5&since=0&until=1",
                "laid",
            ),
            ("laid=start@5&until=1", "since"),
            ("laid=start@5&since=1&until=1", "since"),
            ("laid=start@5&since=0&until=21600000001", "since"),
            (
                "laid=start@5&since=-9223372036854775808&until=9223372036854775807",
                "since",
            ),
            ("laid=start@5&since=0", "until"),
        ] {
            let problem = asked(query).err().unwrap();
            assert!(
                format!("{problem:?}").contains(&format!("\"{culprit}:")),
                "{query}"
            );
        }
    }
}
