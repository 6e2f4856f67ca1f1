//! Before there is a job file to record by: the set-up page and nothing else.

use std::net::TcpListener;
use std::path::Path;
use std::pin::pin;
use std::sync::Arc;

use anyhow::{Context, Result};
use nightclamp_web::{Live, Site};
use tokio::sync::oneshot;

use super::{MachineDesk, nothing};
use crate::door::{Door, token_path};
use crate::say;

/// Serves the set-up page until `shutdown` comes back. The door is the one of the record in `out`: beyond loopback nobody
/// sets up without the access token.
///
/// # Errors
/// The page cannot be served, or the access token cannot be read or made.
pub async fn wait(
    out: &Path,
    listener: TcpListener,
    door: Door,
    desk: MachineDesk,
    shutdown: impl Future<Output = ()>,
) -> Result<()> {
    let address = listener.local_addr().context("the dashboard's address")?;
    let token = door.token(address, out)?;
    let scheme = if door.is_tls() { "https" } else { "http" };
    say::to_people(&format!(
        "\n{} is made on the set-up page: {scheme}://{address}/setup   (Ctrl-C stops)\n",
        desk.path.display()
    ));
    if token.is_some() {
        let file = token_path(out);
        say::to_people(&format!("Its access token is in {}\n", file.display()));
    }
    let (live, _feed) = Live::new(&nothing("Not set up yet"));
    let site = door.site(Site::new(live).with_desk(Arc::new(desk)), token);
    listener
        .set_nonblocking(true)
        .context("the dashboard's socket")?;
    let listener = tokio::net::TcpListener::from_std(listener).context("the dashboard's socket")?;
    let (over, is_over) = oneshot::channel();
    let serving = nightclamp_web::serve(listener, site, async { is_over.await.unwrap_or(()) });
    let mut serving = pin!(serving);
    let served = tokio::select! {
        served = &mut serving => served,
        () = shutdown => {
            over.send(()).unwrap_or_default();
            serving.await
        }
    };
    served.context("the set-up page")
}
