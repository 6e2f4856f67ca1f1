//! A record is pushed over a line that breaks at every point, and everything is there once, whole, and nothing else.
#![allow(clippy::unwrap_used, clippy::panic, missing_docs)] // tests stop where something is wrong

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path as FilePath, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use futures_util::StreamExt as _;
use futures_util::stream::BoxStream;
use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_archive::{Customer, heart_of, replay, set_customer, verify};
use nightclamp_fleet::{FleetError, Pushed, Target, push};
use nightclamp_simboard::{Arrivals, Scenario, SimBoard, job_toml, write_raw_log};
use object_store::memory::InMemory;
use object_store::path::Path;
use object_store::{
    CopyOptions, GetOptions, GetResult, ListResult, MultipartUpload, ObjectMeta, ObjectStore,
    ObjectStoreExt as _, PutMultipartOptions, PutOptions, PutPayload, PutResult, Result,
};

/// A store behind a line that carries so many uploads and then breaks; it counts what it took.
#[derive(Debug)]
struct Line {
    store: Arc<InMemory>,
    left: AtomicUsize,
    /// One bit of what is uploaded arrives wrong.
    is_bad: bool,
    took: Arc<Mutex<BTreeMap<String, usize>>>,
}

impl std::fmt::Display for Line {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "a line")
    }
}

impl Line {
    fn carry(&self, place: &Path) -> Result<()> {
        let left = |left: usize| left.checked_sub(1);
        if self
            .left
            .fetch_update(Ordering::SeqCst, Ordering::SeqCst, left)
            .is_err()
        {
            return Err(object_store::Error::Generic {
                store: "line",
                source: "broken".into(),
            });
        }
        *self
            .took
            .lock()
            .unwrap()
            .entry(place.to_string())
            .or_default() += 1;
        Ok(())
    }
}

#[async_trait::async_trait]
impl ObjectStore for Line {
    async fn put_opts(&self, to: &Path, bytes: PutPayload, opts: PutOptions) -> Result<PutResult> {
        self.carry(to)?;
        let mut bytes: Vec<u8> = bytes.into_iter().flatten().collect();
        if self.is_bad {
            bytes[0] ^= 1;
        }
        self.store.put_opts(to, bytes.into(), opts).await
    }

    async fn put_multipart_opts(
        &self,
        to: &Path,
        opts: PutMultipartOptions,
    ) -> Result<Box<dyn MultipartUpload>> {
        self.carry(to)?;
        self.store.put_multipart_opts(to, opts).await
    }

    async fn get_opts(&self, from: &Path, options: GetOptions) -> Result<GetResult> {
        self.store.get_opts(from, options).await
    }

    fn delete_stream(
        &self,
        _: BoxStream<'static, Result<Path>>,
    ) -> BoxStream<'static, Result<Path>> {
        panic!("nothing is ever deleted")
    }

    fn list(&self, prefix: Option<&Path>) -> BoxStream<'static, Result<ObjectMeta>> {
        self.store.list(prefix)
    }

    async fn list_with_delimiter(&self, prefix: Option<&Path>) -> Result<ListResult> {
        self.store.list_with_delimiter(prefix).await
    }

    async fn copy_opts(&self, _: &Path, _: &Path, _: CopyOptions) -> Result<()> {
        panic!("nothing is ever copied over another")
    }
}

/// A directory for one test, removed at its end.
struct Scratch(PathBuf);

impl Scratch {
    fn new(name: &str) -> Self {
        let path =
            std::env::temp_dir().join(format!("nightclamp-fleet-{name}-{}", std::process::id()));
        fs::create_dir_all(&path).unwrap();
        Self(path)
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        fs::remove_dir_all(&self.0).unwrap_or_default();
    }
}

/// A finished record of so many hours, with a customer.
fn record(scratch: &Scratch, name: &str, hours: f64) -> PathBuf {
    let scenario = Scenario::by_name("demo", 3).unwrap();
    let job = job_toml(&scenario);
    let (mut board, mut log) = (SimBoard::new(scenario), Vec::new());
    let begin_us = 1_795_629_600_000_000;
    write_raw_log(
        &mut board,
        begin_us,
        hours * 3600.0,
        &mut Arrivals::calm(3),
        &mut log,
        true,
    )
    .unwrap();
    let (path, dir) = (scratch.0.join("night.log"), scratch.0.join(name));
    fs::write(&path, log).unwrap();
    let heart = Projection::new(Job::parse(&job, "job.toml").unwrap());
    replay(&[path], &job, heart, &dir, None).unwrap();
    let customer = Customer {
        name: Some("Harbour Bakery, Lda.".to_owned()),
        ..Customer::default()
    };
    set_customer(&dir, &customer).unwrap();
    dir
}

struct Far {
    store: Arc<InMemory>,
    took: Arc<Mutex<BTreeMap<String, usize>>>,
}

impl Far {
    fn new() -> Self {
        Self {
            store: Arc::default(),
            took: Arc::default(),
        }
    }

    fn line(&self, left: usize, is_bad: bool) -> Target {
        let line = Line {
            store: self.store.clone(),
            left: left.into(),
            is_bad,
            took: self.took.clone(),
        };
        Target {
            store: Box::new(line),
            base: Path::from("fleet"),
        }
    }

    async fn objects(&self) -> BTreeMap<String, Vec<u8>> {
        let mut objects = BTreeMap::new();
        let mut all = self.store.list(None);
        while let Some(found) = all.next().await {
            let place = found.unwrap().location;
            let bytes = self.store.get(&place).await.unwrap().bytes().await.unwrap();
            objects.insert(place.to_string(), bytes.to_vec());
        }
        objects
    }
}

async fn pushed(target: &Target, dir: &FilePath) -> std::result::Result<Pushed, FleetError> {
    push(target, dir, |_| {}).await
}

fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap()
}

#[test]
fn a_line_that_breaks_after_every_upload_brings_everything_once() {
    let scratch = Scratch::new("once");
    let dir = record(&scratch, "autumn", 1.5);
    runtime().block_on(async {
        let far = Far::new();
        let mut breaks = 0;
        let last = loop {
            match pushed(&far.line(1, false), &dir).await {
                Ok(last) => break last,
                Err(error) => assert!(error.to_string().contains("broken"), "{error}"),
            }
            breaks += 1;
        };
        let objects = far.objects().await;
        assert!(breaks > 4 && last.files <= 1, "{breaks} breaks, {last:?}");
        assert!(last.has_kept_customer && last.stale.is_empty(), "{last:?}");
        let took = far.took.lock().unwrap().clone();
        assert!(
            took.values().all(|times| *times == 1),
            "nothing twice: {took:?}"
        );
        assert_eq!(took.len(), objects.len());
        let bytes: Vec<u8> = objects.values().flatten().copied().collect();
        assert!(
            !bytes.windows(14).any(|text| text == b"Harbour Bakery"),
            "a customer went out"
        );
        let tables: BTreeSet<&str> = objects
            .keys()
            .map(|place| place.split('/').nth(1).unwrap())
            .collect();
        assert_eq!(
            tables,
            [
                "cycles", "events", "manifest", "overview", "raw", "samples", "units"
            ]
            .into()
        );
        assert!(
            objects
                .keys()
                .all(|place| place.contains("/site=harbour-bakery/record=autumn/"))
        );

        // Again: nothing is uploaded, and nothing has to be read back.
        let again = pushed(&far.line(0, false), &dir).await.unwrap();
        assert_eq!((again.files, again.there), (0, last.there + last.files));

        // What is there, put together again, is a record that holds.
        let back = scratch.0.join("back");
        for (place, bytes) in &objects {
            let place = place
                .replace("fleet/", "")
                .replace("/site=harbour-bakery/record=autumn", "");
            let path = back.join(place.strip_prefix("manifest/").unwrap_or(&place));
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, bytes).unwrap();
        }
        fs::copy(back.join("raw/job-0001.toml"), back.join("job.toml")).unwrap();
        let report = verify(&back, heart_of).unwrap();
        assert!(report.ok(), "{report}");
    });
}

#[test]
fn what_arrives_wrong_is_not_counted_and_what_is_there_is_not_overwritten() {
    let scratch = Scratch::new("wrong");
    let dir = record(&scratch, "autumn", 0.5);
    runtime().block_on(async {
        let far = Far::new();
        let error = pushed(&far.line(99, true), &dir).await.unwrap_err();
        assert!(matches!(error, FleetError::NotAsSent { .. }), "{error}");
        // The bad one stands in the way, named, and nobody deletes it from afar.
        let error = pushed(&far.line(99, false), &dir).await.unwrap_err();
        assert!(matches!(error, FleetError::Occupied { .. }), "{error}");

        // Another record of the same name.
        let far = Far::new();
        pushed(&far.line(99, false), &dir).await.unwrap();
        let before = far.objects().await;
        let other = Scratch::new("other");
        let other = record(&other, "autumn", 0.3);
        let error = pushed(&far.line(99, false), &other)
            .await
            .unwrap_err()
            .to_string();
        assert!(
            error.contains("another record of this name is there"),
            "{error}"
        );
        assert_eq!(far.objects().await, before);

        // A file that is not what was sealed is not sent.
        let far = Far::new();
        let path = dir.join("cycles/unit=freezer/000001.parquet");
        let mut bytes = fs::read(&path).unwrap();
        bytes[9] ^= 1;
        fs::write(&path, bytes).unwrap();
        let error = pushed(&far.line(99, false), &dir)
            .await
            .unwrap_err()
            .to_string();
        assert!(
            error.contains("000001.parquet: its bytes are not those that were sealed"),
            "{error}"
        );
    });
}

#[test]
fn a_directory_is_a_place_as_well() {
    let scratch = Scratch::new("directory");
    let dir = record(&scratch, "autumn", 0.2);
    let to = scratch.0.join("fleet");
    fs::create_dir_all(&to).unwrap();
    let target = Target::open(to.to_str().unwrap(), std::iter::empty()).unwrap();
    let done = runtime().block_on(pushed(&target, &dir)).unwrap();
    assert!(done.files > 3 && done.there == 0, "{done:?}");
    let sent = to.join("cycles/site=harbour-bakery/record=autumn/unit=freezer/000001.parquet");
    let here = dir.join("cycles/unit=freezer/000001.parquet");
    assert_eq!(fs::read(sent).unwrap(), fs::read(here).unwrap());
    for (address, part) in [("ftp://x/y", "is needed"), ("s3://", "s3://")] {
        let error = Target::open(address, std::iter::empty())
            .unwrap_err()
            .to_string();
        assert!(error.contains(part), "{error}");
    }
}
