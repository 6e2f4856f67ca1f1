//! The router, and serving it on a socket.

use std::future::Future;

use axum::http::StatusCode;
use axum::middleware;
use axum::routing::get;
use axum::{Router, response::IntoResponse};
use tokio::net::TcpListener;

use crate::guard::{Hosts, guard};
use crate::live::Live;
use crate::problem::Problem;
use crate::{api, assets, stream};

/// The whole dashboard as a router, for requests to this machine by its own names.
pub fn app(live: Live) -> Router {
    app_for(live, Hosts::local())
}

fn app_for(live: Live, hosts: Hosts) -> Router {
    Router::new()
        .route("/", get(assets::page))
        .route("/assets/{name}", get(assets::asset))
        .route("/api/v1/now", get(api::now))
        .route("/api/v1/events", get(api::events))
        .route("/api/v1/cycles", get(api::cycles))
        .route("/api/v1/series", get(api::series))
        .route("/api/v1/summary", get(api::summary))
        .route("/api/v1/live", get(stream::live))
        .route("/healthz", get(api::healthz))
        .route("/readyz", get(api::readyz))
        .fallback(async || Problem::not_found("there is nothing at this address").into_response())
        .method_not_allowed_fallback(async || {
            Problem::new(
                StatusCode::METHOD_NOT_ALLOWED,
                "this address can only be read",
            )
            .into_response()
        })
        .layer(middleware::from_fn_with_state(hosts, guard))
        .with_state(live)
}

/// Serves the dashboard until `shutdown` resolves, ends the live streams and returns.
///
/// # Errors
/// When the listener's own address cannot be read or it fails for good.
pub async fn serve(
    listener: TcpListener,
    live: Live,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> std::io::Result<()> {
    let hosts = Hosts::bound_to(listener.local_addr()?);
    let router = app_for(live.clone(), hosts);
    let shutdown = async move {
        shutdown.await;
        live.close();
    };
    axum::serve(listener, router)
        .with_graceful_shutdown(shutdown)
        .await
}
