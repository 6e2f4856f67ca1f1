//! Recording: a capture task and a writer for each port, one projector, one web server; and their end, in that order.

use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{SyncSender, sync_channel};
use std::thread::JoinHandle;

use anyhow::{Context, Result, anyhow, bail};
use nightclamp_analysis::bench::Beside;
use nightclamp_analysis::job::Job;
use nightclamp_archive::{ArchiveError, Customer, RawWriter, RecordDir, Retention};
use nightclamp_web::bench::{BenchTest, Invented, Told};
use nightclamp_web::{Live, Site};
use tokio::sync::watch;
use tokio::task::JoinSet;

use crate::bench::Following;
use crate::capture::{Capture, stopped};
use crate::clocks::HostClock;
use crate::desk::MachineDesk;
use crate::desk::line::Lines;
use crate::door::{Door, token_path};
use crate::hands::Hands;
use crate::health::{Manager, Pulses, Watching};
use crate::holder::{self, Holder};
use crate::projecting::Projecting;
use crate::say;
use crate::trouble::Troubles;
use crate::writer::{Writer, archive_clock};

/// What to record, where to, and where to serve the dashboard.
pub struct Recording {
    /// The job file as it was read.
    pub job_text: String,
    /// The same, checked. At least one board has a port.
    pub job: Job,
    /// What identifies the customer, if it is given.
    pub customer: Option<Customer>,
    /// Record directory: made if it is not there, carried on if it is.
    pub out: PathBuf,
    /// Where the dashboard is served, bound already so that nothing is begun if the address is taken.
    pub listener: TcpListener,
    /// Who comes in there.
    pub door: Door,
    /// The host's clocks.
    pub clock: Arc<dyn HostClock>,
    /// What is kept of old raw logs.
    pub retention: Retention,
    /// Where the set-up page does its work, if the job may be changed by it.
    pub set_up: Option<MachineDesk>,
    /// The invented bench, where the job is a bench test of one.
    pub invented: Option<Arc<dyn Invented>>,
    /// What is shown beside what comes of a bench test.
    pub beside: Option<Arc<Beside>>,
}

/// Everything that runs, to be let go of in order.
struct Running {
    captures: JoinSet<()>,
    writers: Vec<Writer>,
    projector: JoinHandle<()>,
    all_written: Arc<AtomicBool>,
    wake: SyncSender<()>,
    stop: watch::Sender<bool>,
    watching: Watching,
    server: tokio::task::JoinHandle<std::io::Result<()>>,
    within: Within,
}

/// What whoever records can do and see meanwhile.
#[derive(Clone)]
pub struct Within {
    /// Writes what a person says into the raw logs.
    pub hands: Arc<Hands>,
    /// Where the bench test stands, if the job is one.
    pub told: Told,
    /// The same test as it is served.
    pub test: Option<BenchTest>,
}

/// Records until `shutdown` comes back, then waits until everything is written, synced, projected and let go of.
///
/// # Errors
/// The record directory cannot be used or is used by another process, another recorder has one of the ports, or the first
/// raw log cannot be begun. Once it
/// records, nothing but `shutdown` ends it: what goes wrong then is logged and shown on the dashboard.
pub async fn record(recording: Recording, shutdown: impl Future<Output = ()>) -> Result<()> {
    record_while(recording, |_| shutdown).await
}

/// The same while `meanwhile` lasts, which is given what can be done and seen from within.
///
/// # Errors
/// As [`record`].
pub async fn record_while<F: Future<Output = ()>>(
    recording: Recording,
    meanwhile: impl FnOnce(Within) -> F,
) -> Result<()> {
    let address = recording
        .listener
        .local_addr()
        .context("the dashboard's address")?;
    let out = recording.out.clone();
    let is_tls = recording.door.is_tls();
    let running = begin(recording).await?;
    announce(address, is_tls, &out);
    meanwhile(running.within.clone()).await;
    tracing::info!("stopping: what has come is being written and projected");
    running.end().await;
    tracing::info!("the record is complete up to now in {}", out.display());
    Ok(())
}

/// Says once where everything is.
fn announce(address: SocketAddr, is_tls: bool, out: &Path) {
    say::to_people(&format!("\nRecording into {}", out.display()));
    let scheme = if is_tls { "https" } else { "http" };
    say::to_people(&format!(
        "Dashboard: {scheme}://{address}/   (Ctrl-C stops)\n"
    ));
    if !address.ip().is_loopback() {
        let file = token_path(out);
        say::to_people(&format!("Its access token is in {}\n", file.display()));
        if !is_tls {
            tracing::warn!(
                "whoever listens on this network can read the access token as it goes by: use a network that is yours, or TLS"
            );
        }
    }
}

async fn begin(recording: Recording) -> Result<Running> {
    let Recording {
        job_text,
        job,
        customer,
        out,
        listener,
        door,
        clock,
        retention,
        set_up,
        invented,
        beside,
    } = recording;
    let mut record = RecordDir::create_or_open(&out, &job_text).map_err(with_holder)?;
    ports_are_free(&job)?;
    let address = listener.local_addr().context("the dashboard's address")?;
    let token = door.token(address, &out)?;
    if record.is_resumed() {
        tracing::info!("carrying on the record in {}", out.display());
    }
    if record.accept_job(&job_text)? {
        tracing::warn!(
            "the job file is another than the record's: from now on {} holds",
            record.job_file()
        );
    }
    if let Some(customer) = &customer {
        record.accept_customer(customer)?;
    }
    let job_note = format!("file={} sha256={}", record.job_file(), record.job_sha256());
    let record = Arc::new(record);
    let (stop, stopping) = watch::channel(false);
    let (wake, synced) = sync_channel(1);
    let pulses = Pulses::default();
    let (mut captures, mut writers, mut ports) = (JoinSet::new(), Vec::new(), Vec::new());
    let mut hands = Hands::default();
    let lines = Lines::default();
    for (board, port) in job
        .boards
        .iter()
        .filter_map(|b| Some((b.id, b.port.as_deref()?)))
    {
        let troubles = Arc::new(Troubles::new(board, port));
        let log = RawWriter::begin(&record, &board.to_string(), &archive_clock(&*clock))?;
        let writes = pulses.begin(format!("the writer of {board}'s raw log"));
        let captures_pulse = pulses.begin(format!("the capture of {port}"));
        let (writer, entries) =
            Writer::start(log, clock.clone(), troubles.clone(), wake.clone(), writes)?;
        hands.reach(board, &entries);
        let capture = Capture::new(
            clock.clone(),
            troubles.clone(),
            entries,
            stopping.clone(),
            captures_pulse,
            lines.lend(port, board),
        );
        let job_note = job_note.clone();
        captures.spawn(async move { capture.run(&job_note).await });
        writers.push(writer);
        ports.push(troubles);
    }
    let status = format!("recording {} boards into {}", ports.len(), out.display());
    let (live, feed) = Live::new(&job);
    live.read_from(Arc::new(record.readback()));
    let all_written = Arc::new(AtomicBool::new(false));
    let done = all_written.clone();
    let (following, told) = Following::of(&job);
    let projector = Projecting {
        record,
        feed,
        bench: following,
        troubles: ports,
        clock,
        synced,
        done,
        pulse: pulses.begin("the projector".to_owned()),
        retention,
    }
    .start()?;
    let hands = Arc::new(hands);
    let test = BenchTest::of(&job, told.clone(), invented, beside);
    let mut site = Site::new(live.clone())
        .with_hand(hands.clone())
        .with_bench(test.clone());
    if let Some(desk) = set_up {
        site = site.with_desk(Arc::new(desk.recording(lines, told.clone())));
    }
    let site = door.site(site, token);
    let server = serve(listener, site, stopping)?;
    let manager = Manager::from_environment();
    let watching = Watching::start(pulses, manager, &status, move |stuck| live.stuck(stuck))?;
    Ok(Running {
        captures,
        writers,
        projector,
        all_written,
        wake,
        stop,
        watching,
        server,
        within: Within { hands, told, test },
    })
}

/// A record that another process has, with the name of its program.
fn with_holder(error: ArchiveError) -> anyhow::Error {
    match &error {
        ArchiveError::Locked { path, holder } => match holder.parse() {
            Ok(pid) => anyhow!(
                "{}: is being recorded into by {}; stop it or choose another directory",
                path.display(),
                Holder::of(pid)
            ),
            Err(_) => error.into(),
        },
        _ => error.into(),
    }
}

/// That no other recorder has a port of the job. Any other program may let go of it: that is waited for.
///
/// # Errors
/// Who has which.
pub fn ports_are_free(job: &Job) -> Result<()> {
    for path in job.boards.iter().filter_map(|board| board.port.as_deref()) {
        let holders = holder::of_port(std::path::Path::new(path));
        if let Some(holder) = holders.iter().find(|holder| holder.is_our_kind()) {
            bail!(
                "{path}: {holder} has this port already; a board can be recorded by one at a time"
            );
        }
    }
    Ok(())
}

fn serve(
    listener: TcpListener,
    site: Site,
    mut stopping: watch::Receiver<bool>,
) -> Result<tokio::task::JoinHandle<std::io::Result<()>>> {
    listener
        .set_nonblocking(true)
        .context("the dashboard's socket")?;
    let listener = tokio::net::TcpListener::from_std(listener).context("the dashboard's socket")?;
    let shutdown = async move { stopped(&mut stopping).await };
    Ok(tokio::spawn(nightclamp_web::serve(
        listener, site, shutdown,
    )))
}

impl Running {
    /// Capture first, then the writers it fed, then the projection of what they wrote, then the pages that show it.
    async fn end(mut self) {
        self.stop.send_replace(true);
        self.watching.stop();
        while let Some(ended) = self.captures.join_next().await {
            if let Err(error) = ended {
                tracing::error!("a port's task broke off: {error}");
            }
        }
        let (writers, projector, wake) = (self.writers, self.projector, self.wake);
        let all_written = self.all_written;
        let waited = tokio::task::spawn_blocking(move || {
            writers.into_iter().for_each(Writer::join);
            all_written.store(true, Ordering::Release);
            wake.try_send(()).unwrap_or_default();
            projector.join().map_err(|_| {
                anyhow!("the projector broke off: nightclamp replay makes the tables anew")
            })
        });
        if let Ok(Err(error)) | Err(error) = waited.await.map_err(anyhow::Error::from) {
            tracing::error!("{error}");
        }
        match self.server.await {
            Ok(Ok(())) => {}
            Ok(Err(error)) => tracing::warn!("the dashboard ended: {error}"),
            Err(error) => tracing::warn!("the dashboard broke off: {error}"),
        }
    }
}
