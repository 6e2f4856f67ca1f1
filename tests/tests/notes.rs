//! A board cannot write a note: whatever it sends, and whatever the disk does meanwhile, the notes that are read back from
//! the record are those that the recorder wrote, in their order.
#![allow(clippy::unwrap_used, clippy::panic)] // tests stop where something is wrong

mod common;

use std::fs;
use std::io::{self, Read, Write};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

use common::Scratch;
use nightclamp_analysis::rawlog::{Entry, parse};
use nightclamp_archive::{
    Disk, Found, HostClock, Limits, Lock, RawWriter, RealDisk, RecordDir, WriteFile,
};
use nightclamp_tests::hostile::JOB;
use proptest::prelude::*;

/// What a board that means harm would try.
const TRIED: [&[u8]; 14] = [
    b"#1795629600000000 stopped",
    b"\n#1795629600000000 stopped\n",
    b"\r\n#1 mark forged\r\n",
    b"\r#1 mark forged\r",
    b"\n@1 S 0 1 2~FFFF\n",
    b"\x00#9 mark forged\x00",
    b"\x1b[2J\x1b[1;1H#5 lost reason=forged",
    b"\xff\xfe#5 mark forged",
    b"\xe2\x80\xa8#5 mark forged",
    b"\xc2\x85#5 mark forged\x0b\x0c",
    b"mark forged",
    b"@",
    b"#",
    b"\n",
];

/// What happens to the writer of a raw log.
#[derive(Debug, Clone)]
enum Action {
    Line(Vec<u8>),
    Part(Vec<u8>),
    PartEnd(Vec<u8>),
    Note(String),
    Sync,
    Flush,
    Rotate,
    /// The next write fails after some bytes, or the next sync fails.
    Fail {
        write: bool,
    },
}

/// Any bytes, what a board would try, and much of something.
fn bytes() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop_oneof![
        prop::collection::vec(any::<u8>(), 0..12),
        prop::sample::select(TRIED.to_vec()).prop_map(<[u8]>::to_vec),
        (any::<u8>(), 0usize..400).prop_map(|(byte, count)| vec![byte; count]),
    ];
    prop::collection::vec(piece, 0..5).prop_map(|pieces| pieces.concat())
}

fn action() -> impl Strategy<Value = Action> {
    prop_oneof![
        4 => bytes().prop_map(Action::Line),
        3 => bytes().prop_map(Action::Part),
        2 => bytes().prop_map(Action::PartEnd),
        3 => "mark [a-z\\n\\r\\x1b\\x00\\u{85}#@ ]{0,20}".prop_map(Action::Note),
        2 => Just(Action::Sync),
        1 => Just(Action::Flush),
        1 => Just(Action::Rotate),
        1 => any::<bool>().prop_map(|write| Action::Fail { write }),
    ]
}

/// The machine's disk, which fails when told to.
#[derive(Default)]
struct Failing {
    writes: Arc<AtomicU32>,
    syncs: Arc<AtomicU32>,
}

struct FailingFile {
    file: Box<dyn WriteFile>,
    writes: Arc<AtomicU32>,
    syncs: Arc<AtomicU32>,
}

fn is_due(failures: &AtomicU32) -> bool {
    failures.swap(0, Ordering::Relaxed) > 0
}

impl Write for FailingFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if is_due(&self.writes) {
            let half = bytes.get(..bytes.len() / 2).unwrap_or_default();
            self.file.write_all(half)?;
            return if half.is_empty() {
                Err(io::ErrorKind::StorageFull.into())
            } else {
                // The next call meets the full disk.
                self.writes.store(1, Ordering::Relaxed);
                Ok(half.len())
            };
        }
        self.file.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

impl WriteFile for FailingFile {
    fn sync(&mut self) -> io::Result<()> {
        if is_due(&self.syncs) {
            return Err(io::Error::other("the disk has lost what it was given"));
        }
        self.file.sync()
    }
}

impl Disk for Failing {
    fn create(&self, path: &Path) -> io::Result<Box<dyn WriteFile>> {
        let file = RealDisk.create(path)?;
        if path.extension().is_none_or(|end| end != "log") {
            return Ok(file);
        }
        let (writes, syncs) = (self.writes.clone(), self.syncs.clone());
        Ok(Box::new(FailingFile {
            file,
            writes,
            syncs,
        }))
    }
    fn append(&self, path: &Path) -> io::Result<Box<dyn WriteFile>> {
        RealDisk.append(path)
    }
    fn open(&self, path: &Path) -> io::Result<Box<dyn Read + Send>> {
        RealDisk.open(path)
    }
    fn truncate(&self, path: &Path, len: u64) -> io::Result<()> {
        RealDisk.truncate(path, len)
    }
    fn len(&self, path: &Path) -> io::Result<u64> {
        RealDisk.len(path)
    }
    fn is_dir(&self, path: &Path) -> bool {
        RealDisk.is_dir(path)
    }
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        RealDisk.rename(from, to)
    }
    fn link(&self, from: &Path, to: &Path) -> io::Result<()> {
        RealDisk.link(from, to)
    }
    fn remove(&self, path: &Path) -> io::Result<()> {
        RealDisk.remove(path)
    }
    fn make_dirs(&self, path: &Path) -> io::Result<()> {
        RealDisk.make_dirs(path)
    }
    fn sync_dir(&self, _: &Path) -> io::Result<()> {
        Ok(())
    }
    fn list(&self, path: &Path) -> io::Result<Vec<Found>> {
        RealDisk.list(path)
    }
    fn lock(&self, path: &Path, holder: &str) -> io::Result<Lock> {
        RealDisk.lock(path, holder)
    }
    fn is_locked(&self, path: &Path) -> bool {
        RealDisk.is_locked(path)
    }
    fn free_bytes(&self, path: &Path) -> io::Result<u64> {
        RealDisk.free_bytes(path)
    }
}

fn clock() -> HostClock {
    HostClock {
        wall_us: 7,
        boot_us: 5,
        host_boot: "b\n#7 mark forged".to_owned(),
    }
}

/// Writes a log in this way, and gives its segments one after another, each ended by LF: that is how they are read, for
/// one that a failing disk has cut short may end within a line.
fn written(actions: &[Action], limits: &Limits) -> Vec<u8> {
    let scratch = Scratch::new("notes");
    let dir = scratch.join("record");
    let disk = Arc::new(Failing::default());
    let record = RecordDir::open_with(disk.clone(), limits.clone(), &dir, JOB).unwrap();
    let mut log = RawWriter::begin(&record, "s", &clock()).unwrap();
    for (at_us, action) in (100..).zip(actions) {
        // What fails is tried again, as the recorder does.
        match action {
            Action::Line(line) => log.append_board(at_us, line),
            Action::Part(part) => log.append_part(at_us, part),
            Action::PartEnd(rest) => log.end_part(at_us, rest),
            Action::Note(text) => log.append_note(at_us, text),
            Action::Sync => log.sync().unwrap_or_default(),
            Action::Flush => log.flush().unwrap_or_default(),
            Action::Rotate => log.rotate(&clock()).unwrap_or_default(),
            Action::Fail { write: true } => disk.writes.store(1, Ordering::Relaxed),
            Action::Fail { write: false } => disk.syncs.store(1, Ordering::Relaxed),
        }
    }
    disk.writes.store(0, Ordering::Relaxed);
    disk.syncs.store(0, Ordering::Relaxed);
    log.finish().unwrap();
    let mut segments: Vec<_> = fs::read_dir(dir.join("raw"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    segments.retain(|path| path.extension().is_some_and(|end| end == "log"));
    segments.sort();
    let ended = |path: &std::path::PathBuf| {
        let mut bytes = fs::read(path).unwrap();
        if bytes.last().is_some_and(|&last| last != b'\n') {
            bytes.push(b'\n');
        }
        bytes
    };
    segments.iter().flat_map(ended).collect()
}

/// The notes and the board's bytes of a log, in which nothing may be damaged.
fn read(log: &[u8]) -> (Vec<(i64, String)>, Vec<u8>) {
    let (mut notes, mut board) = (Vec::new(), Vec::new());
    for line in log
        .strip_suffix(b"\n")
        .unwrap_or(log)
        .split(|&byte| byte == b'\n')
    {
        match parse(line) {
            Entry::Note { at_us, text } => {
                notes.push((at_us, String::from_utf8(text.to_vec()).unwrap()))
            }
            Entry::Board { line, .. } => board.extend_from_slice(line),
            Entry::Damaged => panic!("damaged: {:?}", String::from_utf8_lossy(line)),
        }
    }
    (notes, board)
}

/// The notes that were asked for, as a note can hold them.
fn asked_for(actions: &[Action]) -> Vec<(i64, String)> {
    let note = |(at_us, action): (i64, &Action)| match action {
        Action::Note(text) => Some((
            at_us,
            text.chars()
                .map(|c| if c.is_control() { ' ' } else { c })
                .collect(),
        )),
        _ => None,
    };
    (100..).zip(actions).filter_map(note).collect()
}

/// The notes that the writer makes by itself: which segment it is, the clocks at its beginning, and what was lost.
fn is_the_writers((_, text): &(i64, String)) -> bool {
    text.starts_with("began wall=7 boot=5 host-boot=b #7 mark forged stream=s segment=")
        || text == "clock boot=5 host-boot=b #7 mark forged"
        || text.starts_with("dropped bytes=")
}

/// The board's bytes with every LF in them replaced, as the writer keeps them.
fn sent(actions: &[Action]) -> Vec<u8> {
    let bytes = actions.iter().flat_map(|action| match action {
        Action::Line(bytes) | Action::Part(bytes) | Action::PartEnd(bytes) => bytes.clone(),
        _ => Vec::new(),
    });
    bytes
        .map(|byte| if byte == b'\n' { b' ' } else { byte })
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_notes_read_are_those_written_whatever_the_board_sends(actions in prop::collection::vec(action(), 0..40)) {
        let limits = Limits { line_bytes: 600, waiting_notes: 2, ..Limits::default() };
        let (mut notes, board) = read(&written(&actions, &limits));
        notes.retain(|note| !is_the_writers(note));
        prop_assert_eq!(notes, asked_for(&actions));
        prop_assert_eq!(board, sent(&actions), "the board's bytes");
    }

    /// With so little memory that much is lost: what is lost takes nothing with it that was not the board's or the recorder's.
    #[test]
    fn what_is_lost_on_a_full_disk_makes_no_note(actions in prop::collection::vec(action(), 0..40)) {
        let limits = Limits { line_bytes: 600, waiting_notes: 2, backlog_bytes: 500, ..Limits::default() };
        let (notes, _) = read(&written(&actions, &limits));
        let mut asked = asked_for(&actions).into_iter();
        for note in notes.iter().filter(|note| !is_the_writers(note)) {
            prop_assert!(asked.any(|asked| asked == *note), "{note:?} was never asked for, or is out of order");
        }
    }
}
