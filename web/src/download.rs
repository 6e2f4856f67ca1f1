//! A file that is given as it is made: CSV or Parquet.
//!
//! A thread that may wait for the disk makes it and hands pieces over; so few of them wait at a time that a download of any
//! length needs the memory of one part of it. Whoever takes no piece for as long as the dashboard is patient with a
//! connection, and whoever is gone, ends it. Nobody else waits for that thread: what it read was sealed, or is in its memory.
//! A file that breaks off is not ended: the connection is, so that nobody takes a part for the whole.

use std::io::{self, Write};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use futures_util::stream;
use nightclamp_analysis::excerpt::{ExcerptError, Form, Made};
use nightclamp_analysis::overview::History;
use tokio::runtime::Handle;
use tokio::sync::{OwnedSemaphorePermit, mpsc, watch};

use crate::params::stamp;
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

/// Which of the two forms is asked for.
pub fn form(given: Option<&str>) -> Result<Form, Problem> {
    match given {
        Some("csv") => Ok(Form::Csv),
        Some("parquet") => Ok(Form::Parquet),
        _ => Err(Problem::bad_query("format: csv or parquet is needed")),
    }
}

/// `freezer-cycles-20261125T180000Z.csv`
pub fn file_name(unit: &str, what: &str, from_us: Option<i64>, form: Form) -> String {
    let from = from_us.and_then(|us| stamp(us, "-%Y%m%dT%H%M%SZ"));
    let end = match form {
        Form::Csv => "csv",
        Form::Parquet => "parquet",
    };
    format!("{unit}-{what}{}.{end}", from.unwrap_or_default())
}

/// What a file is made by, on a thread that may wait for the disk: how many rows it has.
pub type Make =
    dyn FnOnce(&dyn History, &mut (dyn Write + Send)) -> Result<u64, ExcerptError> + Send;

/// Gives a table that was made.
pub async fn given_table(
    site: &Site,
    name: &str,
    form: Form,
    made: Made,
) -> Result<Response, Problem> {
    let make = move |history: &dyn History, to: &mut (dyn Write + Send)| {
        history.write(&mut std::iter::once(Ok(made)), form, to)
    };
    given(site, name, form, false, Box::new(make)).await
}

/// Gives the file that `make` makes; `of_now`: tables on disk are brought up to date for it.
pub async fn given(
    site: &Site,
    name: &str,
    form: Form,
    of_now: bool,
    make: Box<Make>,
) -> Result<Response, Problem> {
    let live = site.live();
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
    // Who came first has his place while he waits.
    if of_now {
        live.freshen().await;
    }
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
        let done = make(&*history, &mut pieces_out);
        pieces_out.end(done);
    });
    let body = body_of(pieces).await?;
    let disposition = format!("attachment; filename=\"{name}\"");
    let disposition = HeaderValue::from_str(&disposition)
        .map_err(|_| Problem::bad_query("unit: is no name of a file"))?;
    let kind = match form {
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
        Some(Err(error @ ExcerptError::Busy)) => {
            return Err(Problem::new(
                StatusCode::SERVICE_UNAVAILABLE,
                error.to_string(),
            ));
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
