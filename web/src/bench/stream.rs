//! `GET /api/v1/bench/live`: one stream of server-sent events a page, made as the dashboard's is: a message when the browser is
//! ready for one, from whatever holds by then.

use std::convert::Infallible;
use std::time::Duration;

use axum::extract::State;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use futures_util::stream::{self, Stream};
use tokio::sync::{OwnedSemaphorePermit, watch};

use super::routes::of;
use super::stand::Told;
use super::{BenchTest, view};
use crate::live::Live;
use crate::problem::Problem;
use crate::serve::Site;

/// Shortest time between two messages to one page.
const MESSAGE_PERIOD_MIN: Duration = Duration::from_millis(150);
/// Longest: a board that falls silent changes nothing, and that has to be seen.
const MESSAGE_PERIOD_MAX: Duration = Duration::from_secs(1);

struct Reader {
    test: BenchTest,
    live: Live,
    told: Told,
    changed: watch::Receiver<u64>,
    closing: watch::Receiver<bool>,
    /// The first message goes out at once, with everything.
    is_new: bool,
    _permit: OwnedSemaphorePermit,
}

/// Opens a stream, unless too many are open.
pub async fn live(State(site): State<Site>) -> Result<Response, Problem> {
    let (test, live) = (of(&site)?.clone(), site.live().clone());
    test.opened();
    let permit = live.one_more_stream()?;
    let reader = Reader {
        told: test.0.told.clone(),
        changed: test.0.changed.subscribe(),
        closing: live.closing(),
        is_new: true,
        test,
        live,
        _permit: permit,
    };
    Ok(Sse::new(messages(reader))
        .keep_alive(KeepAlive::default())
        .into_response())
}

fn messages(reader: Reader) -> impl Stream<Item = Result<Event, Infallible>> {
    stream::unfold(reader, |mut reader| async move {
        if !reader.is_new {
            reader.wait().await?;
        }
        Some((Ok(reader.message()), reader))
    })
}

impl Reader {
    /// Until there is something new or a second has gone; `None` when the server shuts down.
    async fn wait(&mut self) -> Option<()> {
        let news = async {
            tokio::time::sleep(MESSAGE_PERIOD_MIN).await;
            tokio::select! {
                _ = self.told.stand.changed() => {}
                _ = self.changed.changed() => {}
                () = tokio::time::sleep(MESSAGE_PERIOD_MAX - MESSAGE_PERIOD_MIN) => {}
            }
        };
        tokio::select! {
            () = news => Some(()),
            _ = self.closing.wait_for(|closing| *closing) => None,
        }
    }

    fn message(&mut self) -> Event {
        let is_news = self.is_new || self.told.results.has_changed().unwrap_or(false);
        self.is_new = false;
        self.told.stand.mark_unchanged();
        let results = self.told.results.borrow_and_update().clone();
        let results = results
            .filter(|_| is_news)
            .map(|results| self.test.told(&results));
        let message = view::now(&self.test, &self.live, results);
        Event::default().json_data(message).unwrap_or_else(|error| {
            tracing::error!(%error, "a message to a page could not be written");
            Event::default().comment("left out")
        })
    }
}
