//! `GET /api/v1/live`: one stream of server-sent events a page.
//!
//! Each message holds the state of everything and the samples since the message before. A message is made when the browser
//! is ready for one, from whatever the view holds by then: a slow reader gets fewer messages, never a queue, and nobody
//! waits for it. The id of a message says how far it reached; a browser that comes back sends it and gets the rest, or is
//! told to ask for the range where the rest is too long or from another run of the program.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use futures_util::stream::{self, Stream};
use serde::Serialize;
use tokio::sync::{OwnedSemaphorePermit, watch};

use crate::live::{Live, wall_us};
use crate::view::{NowView, TailView};

/// Samples of one unit in a message at most.
const TAIL_MAX: usize = 1_000;
/// Shortest time between two messages to one page.
const MESSAGE_PERIOD_MIN: Duration = Duration::from_millis(150);
/// A comment is sent after so long without a message, so that a dead connection is noticed.
const KEEP_ALIVE: Duration = Duration::from_secs(15);

#[derive(Serialize)]
struct Message<'a> {
    run: i64,
    wall_us: i64,
    #[serde(flatten)]
    now: &'a NowView,
    tails: Vec<TailView>,
}

struct Reader {
    live: Live,
    published: watch::Receiver<u64>,
    closing: watch::Receiver<bool>,
    /// Running number of the newest sample this page has.
    ordinal: u64,
    /// The first message goes out at once.
    is_new: bool,
    _permit: OwnedSemaphorePermit,
}

/// Opens a stream, unless too many are open.
pub async fn live(State(live): State<Live>, headers: HeaderMap) -> Response {
    let permit = match live.one_more_stream() {
        Ok(permit) => permit,
        Err(problem) => return problem.into_response(),
    };
    let ordinal = resumed_at(&headers, live.shared().run).unwrap_or_else(|| live.view().ordinal);
    let reader = Reader {
        published: live.published(),
        closing: live.closing(),
        ordinal,
        is_new: true,
        live,
        _permit: permit,
    };
    Sse::new(messages(reader))
        .keep_alive(KeepAlive::new().interval(KEEP_ALIVE))
        .into_response()
}

fn messages(reader: Reader) -> impl Stream<Item = Result<Event, Infallible>> {
    stream::unfold(reader, |mut reader| async move {
        if !reader.is_new {
            reader.wait().await?;
        }
        reader.is_new = false;
        Some((Ok(reader.message()), reader))
    })
}

impl Reader {
    /// Until there is something new; `None` when the server shuts down or nothing more will come.
    async fn wait(&mut self) -> Option<()> {
        let news = async {
            tokio::time::sleep(MESSAGE_PERIOD_MIN).await;
            self.published.changed().await.ok()
        };
        tokio::select! {
            news = news => news,
            _ = self.closing.wait_for(|closing| *closing) => None,
        }
    }

    fn message(&mut self) -> Event {
        let (now, tails, ordinal) = {
            let view = self.live.view();
            let since = self.ordinal.min(view.ordinal);
            let tail = |unit: &crate::live::UnitStore| {
                TailView::of(&unit.name, unit.ring.since(since, TAIL_MAX), &unit.roles)
            };
            (
                Arc::clone(&view.now),
                view.units.iter().map(tail).collect(),
                view.ordinal,
            )
        };
        self.ordinal = ordinal;
        let run = self.live.shared().run;
        let message = Message {
            run,
            wall_us: wall_us(),
            now: &now,
            tails,
        };
        let event = Event::default().id(format!("{run}-{ordinal}"));
        event.json_data(message).unwrap_or_else(|error| {
            tracing::error!(%error, "a message to a page could not be written");
            Event::default().comment("left out")
        })
    }
}

/// Where a page that comes back had got to, if that was in this run.
fn resumed_at(headers: &HeaderMap, run: i64) -> Option<u64> {
    let id = headers.get("last-event-id")?.to_str().ok()?;
    let (of, ordinal) = id.split_once('-')?;
    (of.parse() == Ok(run)).then(|| ordinal.parse().ok())?
}
