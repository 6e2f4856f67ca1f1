//! Before there is a job file: the set-up page and nothing else.

use std::net::TcpListener;
use std::path::Path;
use std::sync::Arc;

use anyhow::{Context, Result};
use nightclamp_analysis::job::{Job, TemperatureScale};
use nightclamp_web::{Live, Site};
use tokio::sync::{Notify, watch};

use super::MachineDesk;
use crate::capture::stopped;
use crate::door::Door;
use crate::say;

/// Serves the set-up page until a job file has been written by it, or until told to stop.
///
/// # Errors
/// The page cannot be served.
pub async fn wait(
    path: &Path,
    out: &Path,
    listener: TcpListener,
    door: Door,
    stop: watch::Receiver<bool>,
) -> Result<()> {
    let address = listener.local_addr().context("the dashboard's address")?;
    let token = door.token(address, out)?;
    let scheme = if door.is_tls() { "https" } else { "http" };
    say::to_people(&format!(
        "\nThere is no {} yet. Set up: {scheme}://{address}/setup   (Ctrl-C stops)\n",
        path.display()
    ));
    let saved = Arc::new(Notify::new());
    let desk = MachineDesk::new(path, out, Arc::clone(&saved));
    let (live, _feed) = Live::new(&nothing());
    // The same door as while recording: beyond loopback nobody sets up without the token.
    let site = door.site(Site::new(live).with_desk(Arc::new(desk)), token);
    listener
        .set_nonblocking(true)
        .context("the dashboard's socket")?;
    let listener = tokio::net::TcpListener::from_std(listener).context("the dashboard's socket")?;
    let mut stop = stop;
    let shutdown = async move {
        tokio::select! {
            () = saved.notified() => {}
            () = stopped(&mut stop) => {}
        }
    };
    nightclamp_web::serve(listener, site, shutdown)
        .await
        .context("the set-up page")
}

fn nothing() -> Job {
    Job {
        name: "Not set up yet".to_owned(),
        site: None,
        timezone: chrono_tz::Tz::UTC,
        temperature: TemperatureScale::Celsius,
        boards: Vec::new(),
        units: Vec::new(),
    }
}
