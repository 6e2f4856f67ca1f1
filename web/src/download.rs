//! `GET /api/v1/table`: rows of a table as a file of CSV or Parquet, as they come off the disk.
//!
//! A thread that may wait for the disk reads file after file and hands pieces over; so few of them wait at a time that a
//! download of any length needs the memory of one file. Whoever takes no piece for as long as the dashboard is patient with a
//! connection, and whoever is gone, ends it. Nobody else waits for that thread: what it read was sealed, or is in its memory.
//! A file that breaks off is not ended: the connection is, so that nobody takes a part for the whole.

use std::io::{self, Write};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::extract::State;
use axum::http::{HeaderValue, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use chrono::DateTime;
use futures_util::stream;
use nightclamp_analysis::excerpt::{Excerpt, ExcerptError, Form, TableName};
use serde::Deserialize;
use tokio::runtime::Handle;
use tokio::sync::{OwnedSemaphorePermit, mpsc, watch};

use crate::live::Live;
use crate::params::{self, CAUSES, ENDS, Params, STARTS, one_of};
use crate::problem::Problem;
use crate::serve::Site;

/// Downloads at the same time; who comes then is told to come again.
pub const DOWNLOADS_MAX: usize = 2;
/// Most rows of a download: nine days of a board with ten samples a second.
pub const DOWNLOAD_ROWS_MAX: u64 = 8_000_000;
/// Bytes handed over at a time, about.
const PIECE_BYTES: usize = 64 << 10;
/// Pieces that wait to be sent.
const PIECES_MAX: usize = 4;

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

/// What is asked for.
struct Asked {
    params: Params,
    table: TableName,
    form: Form,
    only: Vec<(&'static str, Option<String>)>,
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
        let table = match raw.table.as_deref() {
            Some("cycles") => TableName::Cycles,
            Some("events") => TableName::Events,
            Some("samples") => TableName::Samples,
            _ => {
                let detail = "table: one of cycles, events, samples is needed";
                return Err(Problem::bad_query(detail));
            }
        };
        let form = match raw.format.as_deref() {
            Some("csv") => Form::Csv,
            Some("parquet") => Form::Parquet,
            _ => return Err(Problem::bad_query("format: csv or parquet is needed")),
        };
        let filters = [
            ("start", one_of("start", raw.start, &STARTS)?),
            ("ended_by", one_of("ended_by", raw.ended_by, &ENDS)?),
            ("cause", one_of("cause", raw.cause, &CAUSES)?),
        ];
        let given = filters
            .into_iter()
            .filter_map(|(name, word)| Some((name, word?)));
        let only: Vec<_> = given
            .map(|(name, word)| (name, Some(word).filter(|word| word != "none")))
            .collect();
        match only.first() {
            Some((name, _)) if table != TableName::Cycles => Err(Problem::bad_query(format!(
                "{name}: only cycles are chosen by it"
            ))),
            _ => Ok(Self {
                params,
                table,
                form,
                only,
            }),
        }
    }

    /// What to read, if the job has such a compressor. Events of its board are events of it.
    fn excerpt(&self, live: &Live) -> Result<Excerpt, Problem> {
        let view = live.view();
        let unit = crate::api::unit(&view, &self.params)?;
        let of = match self.table {
            TableName::Samples => vec![unit.board.to_string()],
            TableName::Events => vec![unit.name.clone(), format!("board-{}", unit.board)],
            TableName::Cycles => vec![unit.name.clone()],
        };
        let (from_us, to_us) = self.params.range();
        Ok(Excerpt {
            table: self.table,
            of,
            times: from_us..to_us,
            only: self.only.clone(),
            form: self.form,
            rows_max: DOWNLOAD_ROWS_MAX,
        })
    }

    /// `freezer-cycles-20261125T180000Z.csv`
    fn file_name(&self) -> String {
        let from = self
            .params
            .from_us
            .and_then(DateTime::from_timestamp_micros);
        let from = from.map_or_else(String::new, |at| at.format("-%Y%m%dT%H%M%SZ").to_string());
        let (unit, table) = (&self.params.unit, self.table.as_str());
        let end = match self.form {
            Form::Csv => "csv",
            Form::Parquet => "parquet",
        };
        format!("{unit}-{table}{from}.{end}")
    }
}

/// `GET /api/v1/table?unit=&table=&format=&from=&to=&start=&ended_by=&cause=`: the rows that are in the tables on disk.
pub async fn table(State(site): State<Site>, uri: Uri) -> Result<Response, Problem> {
    let asked = Asked::from_uri(&uri)?;
    let live = site.live();
    let wanted = asked.excerpt(live)?;
    let shared = live.shared();
    let not_now = |detail: &str| Problem::new(StatusCode::SERVICE_UNAVAILABLE, detail);
    let Some(history) = shared.history.get().cloned() else {
        return Err(Problem::not_found("the record on disk is not at hand"));
    };
    if !shared.ready.load(Ordering::Relaxed) {
        return Err(not_now("the record on disk is still being read"));
    }
    let permit = Arc::clone(&shared.downloads).try_acquire_owned();
    let permit = permit.map_err(|_| {
        not_now("as many downloads as there may be are under way: ask again when one has ended")
    })?;
    let (to, pieces) = mpsc::channel(PIECES_MAX);
    let mut pieces_out = Pieces {
        to,
        waiting: Vec::with_capacity(PIECE_BYTES),
        patience: site.patience(),
        closing: live.closing(),
        runtime: Handle::current(),
        permit: Some(permit),
    };
    tokio::task::spawn_blocking(move || {
        let done = history.excerpt(&wanted, &mut pieces_out);
        pieces_out.end(done);
    });
    let body = body_of(pieces).await?;
    let disposition = format!("attachment; filename=\"{}\"", asked.file_name());
    let disposition = HeaderValue::from_str(&disposition)
        .map_err(|_| Problem::bad_query("unit: is no name of a file"))?;
    let kind = match asked.form {
        Form::Csv => "text/csv; charset=utf-8; header=present",
        Form::Parquet => "application/vnd.apache.parquet",
    };
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static(kind)),
        (header::CONTENT_DISPOSITION, disposition),
    ];
    Ok((headers, body).into_response())
}

/// What the thread hands over.
#[derive(Debug)]
enum Piece {
    Bytes(Bytes),
    /// Everything has been handed over.
    End,
}

type Handed = Result<Piece, ExcerptError>;

/// The body of the answer, once it is known that there is one.
async fn body_of(mut pieces: mpsc::Receiver<Handed>) -> Result<Body, Problem> {
    let first = match pieces.recv().await {
        Some(Ok(piece)) => piece,
        Some(Err(error @ ExcerptError::TooLong { .. })) => {
            let detail = format!("from, to: {error}: ask for a shorter stretch");
            return Err(Problem::bad_query(detail));
        }
        other => {
            let why = other.and_then(Result::err);
            let why = why.map_or_else(|| "the reader broke off".to_owned(), |why| why.to_string());
            tracing::error!("a table could not be read for a download: {why}");
            let detail = "the table could not be read; the log says why";
            return Err(Problem::new(StatusCode::INTERNAL_SERVER_ERROR, detail));
        }
    };
    let rest = stream::unfold(Some((Some(first), pieces)), |state| async move {
        let (first, mut pieces) = state?;
        let next = match first {
            Some(first) => Some(Ok(first)),
            None => pieces.recv().await,
        };
        match next {
            Some(Ok(Piece::Bytes(bytes))) => Some((Ok(bytes), Some((None, pieces)))),
            Some(Ok(Piece::End)) => None,
            other => {
                let why = other.and_then(Result::err);
                let why = why.map_or_else(|| "it broke off".to_owned(), |why| why.to_string());
                tracing::warn!("a download was not ended: {why}");
                Some((Err(io::Error::other(why)), None))
            }
        }
    });
    Ok(Body::from_stream(rest))
}

/// The thread's end of a download.
struct Pieces {
    to: mpsc::Sender<Handed>,
    waiting: Vec<u8>,
    patience: Duration,
    closing: watch::Receiver<bool>,
    runtime: Handle,
    permit: Option<OwnedSemaphorePermit>,
}

impl Pieces {
    /// Hands something over; waits while enough of it waits to be sent, but not for ever.
    fn hand(&mut self, piece: Handed) -> io::Result<()> {
        let Self {
            to,
            patience,
            closing,
            ..
        } = self;
        let sent = async {
            tokio::select! {
                sent = tokio::time::timeout(*patience, to.send(piece)) => match sent {
                    Ok(Ok(())) => Ok(()),
                    Ok(Err(_)) => Err(io::ErrorKind::BrokenPipe.into()),
                    Err(_) => Err(io::ErrorKind::TimedOut.into()),
                },
                _ = closing.wait_for(|closing| *closing) => Err(io::ErrorKind::ConnectionAborted.into()),
            }
        };
        self.runtime.block_on(sent)
    }

    fn hand_waiting(&mut self) -> io::Result<()> {
        if self.waiting.is_empty() {
            return Ok(());
        }
        let more = Vec::with_capacity(PIECE_BYTES);
        let bytes = std::mem::replace(&mut self.waiting, more);
        self.hand(Ok(Piece::Bytes(bytes.into())))
    }

    /// Says how it ended. Who is not told finds the channel closed, which is no end either.
    fn end(mut self, done: Result<u64, ExcerptError>) {
        let last = match done {
            Ok(_) => self.hand_waiting().map(|()| Ok(Piece::End)),
            Err(error) => Ok(Err(error)),
        };
        // Whoever has the end may begin another one.
        drop(self.permit.take());
        let told = last.and_then(|last| self.hand(last));
        if let Err(why) = told {
            tracing::debug!("a download was left: {why}");
        }
    }
}

impl Write for Pieces {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.waiting.extend_from_slice(bytes);
        if self.waiting.len() >= PIECE_BYTES {
            self.hand_waiting()?;
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
