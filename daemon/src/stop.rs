//! When to stop: somebody pressed Ctrl-C, the system shuts down, or the terminal went away.

use anyhow::{Context, Result};
use tokio::signal::unix::{Signal, SignalKind, signal as listen};

/// Comes back at the first SIGINT, SIGTERM or SIGHUP after this call.
///
/// # Errors
/// The system does not let this process listen for signals.
pub fn signal() -> Result<impl Future<Output = ()>> {
    let interrupt = on(SignalKind::interrupt())?;
    let terminate = on(SignalKind::terminate())?;
    let hangup = on(SignalKind::hangup())?;
    Ok(any(interrupt, terminate, hangup))
}

fn on(kind: SignalKind) -> Result<Signal> {
    listen(kind).context("this process cannot listen for signals")
}

async fn any(mut interrupt: Signal, mut terminate: Signal, mut hangup: Signal) {
    tokio::select! {
        _ = interrupt.recv() => {}
        _ = terminate.recv() => {}
        _ = hangup.recv() => {}
    }
}
