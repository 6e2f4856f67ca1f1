//! What goes into the raw log, byte by byte and note by note.

use super::*;
use nightclamp_protocol::line;

const ID: BoardId = BoardId(0x7f3a_91c2);

/// An intake, the time, and everything it has handed out so far in one string a line.
struct Bench {
    intake: Intake,
    now: Moment,
    out: Vec<Entry>,
}

impl Bench {
    fn new() -> Self {
        let now = Moment {
            wall_us: 1_000_000_000,
            boot_us: 50_000_000,
        };
        Self {
            intake: Intake::new(ID, "host"),
            now,
            out: Vec::new(),
        }
    }

    fn open() -> Self {
        let mut bench = Self::new();
        bench
            .intake
            .opened(bench.now, "/dev/ttyACM0", &mut bench.out);
        bench.out.clear();
        bench
    }

    fn wait_us(&mut self, us: i64) {
        self.now = Moment {
            wall_us: self.now.wall_us + us,
            boot_us: self.now.boot_us + us,
        };
    }

    fn chunk(&mut self, bytes: impl AsRef<[u8]>) {
        self.intake.chunk(self.now, bytes.as_ref(), &mut self.out);
    }

    /// Says hello, boot 18, one channel, a sample every `period_ms`.
    fn hello(&mut self, id: &str, period_ms: u32) {
        self.chunk(line(format!("H 1 {id} 18 1 {period_ms} refboard-1")).to_string());
        self.chunk(line("C 0 current A -3 common ct").to_string());
    }

    fn shown(&mut self) -> Vec<String> {
        let show = |entry: Entry| match entry {
            Entry::Board(at, line) => format!("@{at} {}", String::from_utf8_lossy(&line)),
            Entry::Part(at, part) => format!("part@{at} {} bytes", part.len()),
            Entry::PartEnd(at, rest) => format!("end@{at} {} bytes", rest.len()),
            Entry::Note(at, text) => format!("#{at} {text}"),
        };
        self.out.drain(..).map(show).collect()
    }

    fn clock_notes(&mut self) -> usize {
        self.shown()
            .iter()
            .filter(|line| line.contains(" clock "))
            .count()
    }
}

#[test]
fn a_line_is_stamped_with_the_chunk_that_brought_its_end_and_kept_byte_for_byte() {
    let mut bench = Bench::open();
    bench.chunk(b"S 1 2");
    bench.wait_us(40_000);
    bench.chunk(b"00\r\n\xff#1 stopped\n\n");
    assert_eq!(
        bench.out,
        [
            Entry::Board(1_000_040_000, b"S 1 200\r".to_vec()),
            Entry::Board(1_000_040_000, b"\xff#1 stopped".to_vec()),
            Entry::Board(1_000_040_000, Vec::new()),
        ]
    );
}

#[test]
fn what_is_left_of_a_line_at_an_unplug_is_kept_as_a_line() {
    let mut bench = Bench::open();
    bench.chunk(b"S 1 200 13");
    bench
        .intake
        .lost(bench.now, "the port closed\nnow", &mut bench.out);
    bench.intake.lost(bench.now, "again", &mut bench.out);
    assert_eq!(
        bench.shown(),
        [
            "@1000000000 S 1 200 13",
            "#1000000000 lost reason=the port closed now",
            "#1000000000 lost reason=again",
        ]
    );
}

#[test]
fn the_bytes_of_a_line_too_long_are_kept_whole_and_an_endless_one_in_parts() {
    let mut bench = Bench::open();
    let long = vec![b'x'; 500];
    bench.chunk(&long);
    bench.chunk(b"y\n");
    assert_eq!(
        bench.out,
        [Entry::Board(1_000_000_000, [&long[..], b"y"].concat())]
    );

    bench.out.clear();
    for _ in 0..200 {
        bench.chunk(&long);
    }
    bench.chunk(b"\nS 1 2\n");
    let bytes = |entry: &Entry| match entry {
        Entry::Part(_, part) | Entry::PartEnd(_, part) => part.len(),
        _ => 0,
    };
    assert_eq!(bench.out.iter().map(bytes).sum::<usize>(), 200 * 500);
    assert!(
        bench
            .out
            .iter()
            .all(|entry| bytes(entry) <= LONG_HELD_BYTES + 500)
    );
    assert_eq!(
        bench.out.last(),
        Some(&Entry::Board(1_000_000_000, b"S 1 2".to_vec()))
    );
}

#[test]
fn the_clocks_are_noted_at_start_at_opening_every_minute_and_after_a_silence() {
    let mut bench = Bench::new();
    bench.intake.started(
        bench.now,
        "0.1.0",
        "file=job-0001.toml sha256=00",
        &mut bench.out,
    );
    bench
        .intake
        .opened(bench.now, "/dev/ttyACM0", &mut bench.out);
    assert_eq!(
        bench.shown(),
        [
            "#1000000000 started version=0.1.0",
            "#1000000000 job file=job-0001.toml sha256=00",
            "#1000000000 clock boot=50000000 host-boot=host",
            "#1000000000 opened port=/dev/ttyACM0",
            "#1000000000 clock boot=50000000 host-boot=host",
        ]
    );
    bench.wait_us(1_000_000);
    bench.chunk(b"S 1\n");
    assert_eq!(bench.clock_notes(), 0, "a second is no silence");
    bench.wait_us(1_000_001);
    bench.chunk(b"S 2\n");
    assert_eq!(
        bench.shown()[0],
        "#1002000001 clock boot=52000001 host-boot=host",
        "before the line"
    );
    bench.wait_us(59_000_000);
    bench.intake.tick(bench.now, &mut bench.out);
    assert_eq!(bench.clock_notes(), 0);
    bench.wait_us(1_000_000);
    bench.intake.tick(bench.now, &mut bench.out);
    assert_eq!(bench.clock_notes(), 1, "with nobody speaking");
}

#[test]
fn a_slow_board_is_silent_only_after_three_of_its_periods() {
    let mut bench = Bench::open();
    bench.hello("7f3a91c2", 5_000);
    bench.out.clear();
    bench.wait_us(15_000_000);
    bench.chunk(b"S 1\n");
    assert_eq!(bench.clock_notes(), 0);
    bench.wait_us(15_000_001);
    bench.chunk(b"S 2\n");
    assert_eq!(bench.clock_notes(), 1);
}

#[test]
fn a_wall_clock_that_is_set_is_noted_before_the_next_line_and_stamps_follow_it() {
    let mut bench = Bench::open();
    bench.chunk(b"S 1\n");
    bench.out.clear();
    bench.wait_us(100_000);
    bench.now.wall_us -= 99_999;
    bench.chunk(b"S 2\n");
    assert_eq!(
        bench.clock_notes(),
        0,
        "below a tenth of a second it is not spoken of"
    );
    bench.wait_us(100_000);
    bench.now.wall_us -= 500_000_000;
    bench.chunk(b"S 3\n");
    assert_eq!(
        bench.shown(),
        [
            "#500100001 clock boot=50200000 host-boot=host",
            "@500100001 S 3"
        ]
    );
}

#[test]
fn a_board_that_does_not_introduce_itself_is_asked_after_three_seconds_and_then_every_ten() {
    let mut bench = Bench::open();
    let mut asked_s = Vec::new();
    for second in 0..30 {
        if bench.intake.ask_is_due(bench.now) {
            asked_s.push(second);
            bench
                .intake
                .asked(bench.now, &Command::Hello, &mut bench.out);
        }
        bench.wait_us(1_000_000);
    }
    assert_eq!(asked_s, [3, 13, 23]);
    bench.hello("7f3a91c2", 100);
    bench.wait_us(60_000_000);
    assert!(!bench.intake.ask_is_due(bench.now));
    bench.chunk(line("N 0 boot power-on").to_string());
    assert!(
        bench.intake.ask_is_due(bench.now),
        "a new boot has to introduce itself again"
    );
}

#[test]
fn another_board_and_another_version_are_found_once() {
    let mut bench = Bench::open();
    bench.hello("00000001", 100);
    bench.hello("00000001", 100);
    let stranger = Finding::Board {
        id: BoardId(1),
        boot: 18,
        channels: 1,
        expected: false,
    };
    assert_eq!(bench.intake.take_findings(), [stranger]);
    bench.chunk(line("H 2 7f3a91c2 18 1 100 future").to_string().repeat(2));
    let found = bench.intake.take_findings();
    assert!(
        matches!(&found[..], [Finding::Version(text)] if text.contains('2') && text.contains('1')),
        "{found:?}"
    );
}
