//! The router, and serving it on a socket.

use std::future::{Future, IntoFuture};
use std::sync::Arc;
use std::time::Duration;

use axum::extract::FromRef;
use axum::http::StatusCode;
use axum::middleware;
use axum::{Router, response::IntoResponse};
use tokio::net::TcpListener;

use crate::access::{Keeper, Token};
use crate::bench::BenchTest;
use crate::guard::{Gate, guard};
use crate::hand::{Hand, NoHand};
use crate::hosts::Hosts;
use crate::listening::{Listening, Peer, STILL_MAX};
use crate::live::Live;
use crate::problem::Problem;
use crate::routes::router;
use crate::setup::Desk;
use crate::tls::Tls;

/// What a dashboard is made of. Cloning it is cheap: every route has it as its state, or [`Live`] alone.
#[derive(Clone)]
pub struct Site {
    live: Live,
    hand: Arc<dyn Hand>,
    desk: Option<Arc<dyn Desk>>,
    bench: Option<BenchTest>,
    names: Arc<[String]>,
    token: Option<Token>,
    tls: Option<Tls>,
    patience: Duration,
    /// Made of the token when the port is known.
    keeper: Option<Arc<Keeper>>,
}

impl Site {
    /// A dashboard that shows `live` and changes nothing.
    pub fn new(live: Live) -> Self {
        Self {
            live,
            hand: Arc::new(NoHand),
            desk: None,
            bench: None,
            names: Arc::default(),
            token: None,
            tls: None,
            patience: STILL_MAX,
            keeper: None,
        }
    }

    /// ... and has done by `hand` what a person asks for.
    #[must_use]
    pub fn with_hand(self, hand: Arc<dyn Hand>) -> Self {
        Self { hand, ..self }
    }

    /// ... and can be set up at this desk.
    #[must_use]
    pub fn with_desk(self, desk: Arc<dyn Desk>) -> Self {
        let desk = Some(desk);
        Self { desk, ..self }
    }

    /// ... and guides this bench test.
    #[must_use]
    pub fn with_bench(self, bench: Option<BenchTest>) -> Self {
        Self { bench, ..self }
    }

    /// ... and also answers to these names, by which others on the network know this machine.
    #[must_use]
    pub fn with_names(self, names: Vec<String>) -> Self {
        let names = names.into();
        Self { names, ..self }
    }

    /// ... and lets nobody look without this token.
    #[must_use]
    pub fn with_token(self, token: Token) -> Self {
        let token = Some(token);
        Self { token, ..self }
    }

    /// ... and is served under TLS.
    #[must_use]
    pub fn with_tls(self, tls: Tls) -> Self {
        let tls = Some(tls);
        Self { tls, ..self }
    }

    /// ... and lets go of who takes nothing of what he is sent for so long.
    #[must_use]
    pub fn with_patience(self, patience: Duration) -> Self {
        Self { patience, ..self }
    }

    pub(crate) const fn patience(&self) -> Duration {
        self.patience
    }

    pub(crate) const fn keeper(&self) -> Option<&Arc<Keeper>> {
        self.keeper.as_ref()
    }

    pub(crate) const fn live(&self) -> &Live {
        &self.live
    }

    pub(crate) fn desk(&self) -> Option<&dyn Desk> {
        self.desk.as_deref()
    }

    pub(crate) const fn bench(&self) -> Option<&BenchTest> {
        self.bench.as_ref()
    }

    pub(crate) fn hand(&self) -> &dyn Hand {
        &*self.hand
    }
}

impl FromRef<Site> for Live {
    fn from_ref(site: &Site) -> Self {
        site.live.clone()
    }
}

/// The whole dashboard as a router, for requests to this machine by its own names.
pub fn app(site: Site) -> Router {
    app_for(site, Hosts::local(), 0)
}

fn app_for(mut site: Site, hosts: Hosts, port: u16) -> Router {
    let token = site.token.clone();
    site.keeper = token.map(|token| Arc::new(Keeper::new(token, port, site.tls.is_some())));
    let gate = Gate {
        hosts: hosts.and(&site.names),
        keeper: site.keeper.clone(),
    };
    router()
        .fallback(async || Problem::not_found("there is nothing at this address").into_response())
        .method_not_allowed_fallback(async || {
            let detail = "this address does not take this method";
            Problem::new(StatusCode::METHOD_NOT_ALLOWED, detail).into_response()
        })
        .layer(middleware::from_fn_with_state(gate, guard))
        .with_state(site)
}

/// Who is sent something has so long to take it once the dashboard ends: whoever records waits for that.
const LEAVE_MAX: Duration = Duration::from_secs(2);

/// Serves the dashboard until `shutdown` resolves, ends live streams and downloads and returns.
///
/// # Errors
/// When the listener's own address cannot be read or it fails for good.
pub async fn serve(
    listener: TcpListener,
    site: Site,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> std::io::Result<()> {
    let address = listener.local_addr()?;
    let (live, tls, patience) = (site.live.clone(), site.tls.clone(), site.patience);
    let mut closing = live.closing();
    let router = app_for(site, Hosts::bound_to(address), address.port());
    let shutdown = async move {
        shutdown.await;
        live.close();
    };
    let service = router.into_make_service_with_connect_info::<Peer>();
    let serving = axum::serve(Listening::on(listener, tls, patience), service)
        .with_graceful_shutdown(shutdown);
    let left = async {
        // The live view outlives the server.
        closing
            .wait_for(|closing| *closing)
            .await
            .map(drop)
            .unwrap_or_default();
        tokio::time::sleep(LEAVE_MAX).await;
    };
    tokio::select! {
        served = serving.into_future() => served,
        () = left => Ok(()),
    }
}
