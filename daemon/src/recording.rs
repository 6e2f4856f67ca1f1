//! `record`: by the job file as it is, and with `--setup` by each that the set-up page makes of it. A bench test goes through
//! the same [`turns`].
//!
//! All that the call names is checked before anything begins. Once it has begun, a job file that the page wrote is recorded
//! by as it was judged and written; the file is not read again, so that a hand on it in the same instant stops nothing.

use std::net::TcpListener;
use std::path::Path;
use std::pin::{Pin, pin};
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, Result};
use nightclamp_archive::Customer;
use nix::unistd::{AccessFlags, access};
use tokio::sync::{mpsc, watch};
use tokio::time::timeout;

use crate::capture::stopped;
use crate::cli::RecordArgs;
use crate::clocks::SystemClock;
use crate::desk::{MachineDesk, Purpose, waiting};
use crate::door::Door;
use crate::jobfile::JobFile;
use crate::recorder::{self, Recording};
use crate::{Failure, customer, listen, runtime, stop};

/// How long after a recorder could not be begun anew it is tried again.
const AGAIN_AFTER: Duration = Duration::from_secs(2);

/// What the call comes to, checked.
struct Call<'a> {
    args: &'a RecordArgs,
    customer: Option<Customer>,
    door: Door,
}

/// Runs `record`.
///
/// # Errors
/// A wrong call or job file, before anything is begun; then only if the recorder cannot be begun at all.
pub fn run(args: &RecordArgs) -> Result<(), Failure> {
    let file = to_begin_with(args)?;
    let call = Call {
        args,
        customer: args.customer.as_deref().map(customer::read).transpose()?,
        door: Door::of(&args.door)?,
    };
    let listener = listen(args.listen)?;
    if file.is_none() {
        make_for_token(&args.out)?;
    }
    Ok(runtime()?.block_on(call.until_stopped(file, &listener))?)
}

/// The job file to record by; none if the set-up page is to make it first, or to give it a port.
fn to_begin_with(args: &RecordArgs) -> Result<Option<JobFile>, Failure> {
    if args.setup {
        Ok(to_set_up(&args.job)?.filter(JobFile::has_port))
    } else {
        JobFile::read_to_record(&args.job).map(Some)
    }
}

/// Makes the record directory before there is a record: an access token is kept in it.
///
/// # Errors
/// The disk's.
pub fn make_for_token(out: &Path) -> Result<()> {
    std::fs::create_dir_all(out).with_context(|| format!("{}: could not be made", out.display()))
}

/// The job file at `path`, if there is one; else it is to be made there, and that could be done.
///
/// # Errors
/// A wrong call: it is wrong, or there is none and it could not be written there.
pub fn to_set_up(path: &Path) -> Result<Option<JobFile>, Failure> {
    if std::fs::symlink_metadata(path).is_ok() {
        return JobFile::read(path).map(Some);
    }
    let directory = path.parent().filter(|parent| *parent != Path::new(""));
    access(directory.unwrap_or(Path::new(".")), AccessFlags::W_OK).map_err(|error| {
        Failure::call(format!(
            "{}: could not be written there: {}",
            path.display(),
            error.desc()
        ))
    })?;
    Ok(None)
}

/// What ends a turn: the set-up page has written a job file, or somebody says stop.
pub type Until<'u> = Pin<&'u mut (dyn Future<Output = ()> + 'u)>;

/// Turn after turn, each by the job file that the set-up page made in the one before, until one ends by itself or by a stop.
/// A turn is given what to record by, where the page puts what it saves, and what ends it.
///
/// # Errors
/// The first turn's. One that could not be begun later is tried again: then there is somebody at the page.
pub async fn turns<T>(
    mut file: Option<JobFile>,
    mut turn: impl AsyncFnMut(Option<JobFile>, mpsc::Sender<JobFile>, Until<'_>) -> Result<T>,
) -> Result<T> {
    let stop = stop::signal()?;
    let (stopping, mut stopping_seen) = watch::channel(false);
    tokio::spawn(async move {
        stop.await;
        stopping.send_replace(true);
    });
    let mut has_begun = false;
    loop {
        let (saved, mut saves) = mpsc::channel(1);
        let mut next = None;
        let until = async {
            next = tokio::select! {
                () = stopped(&mut stopping_seen) => None,
                // Nobody saves where no page may: then that is no end.
                Some(saved) = saves.recv() => Some(saved),
            };
        };
        let ended = turn(file.clone(), saved, pin!(until)).await;
        match (ended, next) {
            (Ok(_), Some(saved)) => file = Some(saved),
            (Ok(came_of_it), None) => return Ok(came_of_it),
            (Err(error), _) if !has_begun => return Err(error),
            (Err(error), _) => {
                tracing::error!("{error:#}; trying again");
                let stop = stopped(&mut stopping_seen);
                if timeout(AGAIN_AFTER, stop).await.is_ok() {
                    return Err(error);
                }
            }
        }
        has_begun = true;
    }
}

impl Call<'_> {
    async fn until_stopped(&self, file: Option<JobFile>, listener: &TcpListener) -> Result<()> {
        turns(file, async |file, saved, until| {
            let listener = listener.try_clone().context("the dashboard's socket")?;
            match file {
                None => self.wait(listener, saved, until).await,
                Some(file) => self.record(file, listener, saved, until).await,
            }
        })
        .await
    }

    /// The set-up page and nothing else, until it has written a job file or until told to stop.
    async fn wait(
        &self,
        listener: TcpListener,
        saved: mpsc::Sender<JobFile>,
        until: impl Future<Output = ()>,
    ) -> Result<()> {
        let (door, desk) = (self.door.clone(), self.desk(saved));
        waiting::wait(&self.args.out, listener, door, desk, until).await
    }

    /// Records until the set-up page has changed the job file or until told to stop.
    async fn record(
        &self,
        file: JobFile,
        listener: TcpListener,
        saved: mpsc::Sender<JobFile>,
        until: impl Future<Output = ()>,
    ) -> Result<()> {
        let recording = Recording {
            job_text: file.text,
            job: file.job,
            customer: self.customer.clone(),
            out: self.args.out.clone(),
            listener,
            door: self.door.clone(),
            clock: Arc::new(SystemClock::new()),
            retention: self.args.retention(),
            set_up: self.args.setup.then(|| self.desk(saved)),
            invented: None,
            beside: None,
        };
        recorder::record(recording, until).await
    }

    fn desk(&self, saved: mpsc::Sender<JobFile>) -> MachineDesk {
        let RecordArgs {
            job,
            out,
            setup_port,
            ..
        } = self.args;
        MachineDesk::new(job, out, setup_port, Purpose::Night, saved)
    }
}
