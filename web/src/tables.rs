//! `GET /api/v1/table`: the rows of a table as a file, CSV or Parquet: the tables of the record as they come off the disk, and
//! those that are made of them for the page.

use axum::extract::State;
use axum::http::Uri;
use axum::response::Response;
use nightclamp_analysis::excerpt::{Excerpt, Form, Made, TableName};
use nightclamp_analysis::overview::History;
use serde::Deserialize;

use crate::download::{self, DOWNLOAD_ROWS_MAX};
use crate::live::Live;
use crate::made;
use crate::params::{self, Chosen, Params};
use crate::problem::Problem;
use crate::serve::Site;

/// Samples before the last ones of so much, µs, are in the tables anyhow: two minutes.
const OPEN_US_MAX: i64 = 120 * 1_000_000;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    unit: Option<String>,
    from: Option<String>,
    to: Option<String>,
    table: Option<String>,
    format: Option<String>,
    start: Option<String>,
    ended_by: Option<String>,
    cause: Option<String>,
}

/// Where the rows of a table come from.
#[derive(Clone, Copy)]
enum Source {
    /// The record's tables on disk.
    Disk(TableName),
    /// What is worked out from the rows in memory.
    Made(fn(&Live, &Params) -> Result<Made, Problem>),
}

/// Every table by its name.
const TABLES: [(&str, Source); 9] = [
    ("cycles", Source::Disk(TableName::Cycles)),
    ("events", Source::Disk(TableName::Events)),
    ("samples", Source::Disk(TableName::Samples)),
    ("overview", Source::Disk(TableName::Overview)),
    ("sentences", Source::Made(made::sentences)),
    ("starts", Source::Made(made::starts)),
    ("times", Source::Made(made::times)),
    ("terms", Source::Made(made::terms)),
    ("revisions", Source::Made(made::revisions)),
];

/// What is asked for.
struct Asked {
    params: Params,
    table: &'static str,
    source: Source,
    form: Form,
    chosen: Chosen,
}

impl Asked {
    fn from_uri(uri: &Uri) -> Result<Self, Problem> {
        let raw: Raw = params::read(uri)?;
        let params = Params::checked(params::Raw {
            unit: raw.unit,
            from: raw.from,
            to: raw.to,
            ..params::Raw::default()
        })?;
        let asked = raw.table.unwrap_or_default();
        let found = TABLES.into_iter().find(|(name, _)| *name == asked);
        let (table, source) = found.ok_or_else(|| {
            let names = TABLES.map(|(name, _)| name).join(", ");
            Problem::bad_query(format!("table: one of {names} is needed"))
        })?;
        let form = download::form(raw.format.as_deref())?;
        let chosen = Chosen::checked(raw.start, raw.ended_by, raw.cause)?;
        match chosen.first() {
            Some(name) if table != "cycles" => Err(Problem::bad_query(format!(
                "{name}: only cycles are chosen by it"
            ))),
            _ => Ok(Self {
                params,
                table,
                source,
                form,
                chosen,
            }),
        }
    }

    /// Whether it may have rows that are in no table yet.
    fn reaches_to_now(&self, live: &Live) -> bool {
        let view = live.view();
        let (_, last_us) = view.now.record.unwrap_or_default();
        let since_us = last_us.saturating_sub(OPEN_US_MAX);
        self.params.to_us.is_none_or(|to_us| to_us > since_us)
    }

    /// What to read of a table on disk. Events of its board are events of a compressor.
    fn excerpt(&self, table: TableName, live: &Live) -> Result<Excerpt, Problem> {
        let view = live.view();
        let unit = crate::api::unit(&view, &self.params)?;
        let of = match table {
            TableName::Samples => vec![unit.board.to_string()],
            TableName::Events => vec![unit.name.clone(), format!("board-{}", unit.board)],
            TableName::Cycles | TableName::Overview => vec![unit.name.clone()],
        };
        let (from_us, to_us) = self.params.range();
        Ok(Excerpt {
            table,
            of,
            times: from_us..to_us,
            only: self.chosen.columns(),
            form: self.form,
            rows_max: DOWNLOAD_ROWS_MAX,
        })
    }
}

/// `GET /api/v1/table?unit=&table=&format=&from=&to=&start=&ended_by=&cause=`
pub async fn table(State(site): State<Site>, uri: Uri) -> Result<Response, Problem> {
    let asked = Asked::from_uri(&uri)?;
    let Params { unit, from_us, .. } = &asked.params;
    let name = download::file_name(unit, asked.table, *from_us, asked.form);
    match asked.source {
        Source::Disk(table) => {
            let of_now = asked.reaches_to_now(site.live());
            let wanted = asked.excerpt(table, site.live())?;
            let make = move |history: &dyn History, to: &mut (dyn std::io::Write + Send)| {
                history.excerpt(&wanted, to)
            };
            download::given(&site, &name, asked.form, of_now, Box::new(make)).await
        }
        Source::Made(make) => {
            let made = make(site.live(), &asked.params)?;
            download::given_table(&site, &name, asked.form, made).await
        }
    }
}
