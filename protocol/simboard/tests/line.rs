//! What the board says is what the protocol says, checked with the codec.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test says what it expected by failing

use nightclamp_protocol::{Outcome, Record, Session, TableChange, decode, line};
use nightclamp_simboard::scenario::Scenario;
use nightclamp_simboard::{Arrivals, ArrivalsSpec, Away, SimBoard, job_toml, write_raw_log};

fn lines_until(board: &mut SimBoard, until_s: f64) -> Vec<(f64, Vec<u8>)> {
    let mut lines = Vec::new();
    board.advance(until_s, &mut |e| lines.push((e.at_s, e.line.to_vec())));
    lines
}

/// Follows a stream; gives how many samples belonged to a table and how many boots began.
fn follow(lines: &[(f64, Vec<u8>)]) -> (u64, u64) {
    let mut session = Session::new();
    let (mut samples, mut boots) = (0, 0);
    let mut last: Option<(u16, u32)> = None;
    for (at_s, bytes) in lines {
        let record = decode(bytes.strip_suffix(b"\n").unwrap()).expect("a good line");
        let outcome = session.accept(&record, (at_s * 1e6) as i64);
        if let Record::Sample(s) = &record {
            if let Some((seq, ms)) = last {
                assert_eq!(s.seq, seq.wrapping_add(1));
                let period_ms = session.table().unwrap().period_ms;
                assert_eq!(s.ms, ms.wrapping_add(period_ms), "seq {seq}");
            }
            last = Some((s.seq, s.ms));
        }
        match outcome {
            Outcome::Sample => samples += 1,
            Outcome::BootBegun => {
                boots += 1;
                last = None;
            }
            Outcome::TableBegun(_) | Outcome::Nothing => {}
            other => panic!("{other:?} for {}", String::from_utf8_lossy(bytes)),
        }
    }
    (samples, boots)
}

#[test]
fn counters_hold_across_wraps_and_boots() {
    // 200 ms: the sample counter wraps after 3.6 h, the clock after 2 h.
    let mut scenario = Scenario::by_name("wrap", 1).unwrap();
    scenario.at(
        4.4 * 3600.0,
        nightclamp_simboard::scenario::Happening::Boot("brown-out"),
    );
    scenario.board.period_ms = 200;
    let mut board = SimBoard::new(scenario);
    let lines = lines_until(&mut board, 4.5 * 3600.0);
    let (samples, boots) = follow(&lines);
    assert_eq!(boots, 2);
    let truth = &board.truth().boots;
    assert_eq!(samples, truth.iter().map(|b| b.sent).sum::<u64>());
    assert!(
        truth[0].samples > 65_536 && truth[1].ms_start == 0 && truth[1].boot == truth[0].boot + 1
    );
}

#[test]
fn hello_comes_at_least_every_minute_with_all_its_channels() {
    for name in ["two-units", "slow", "fast", "run-capacitor"] {
        let mut board = SimBoard::new(Scenario::by_name(name, 1).unwrap());
        let channels = board.scenario().channels.len();
        let lines = lines_until(&mut board, 400.0);
        let hellos: Vec<usize> = (0..lines.len())
            .filter(|&i| lines[i].1.starts_with(b"H "))
            .collect();
        assert!(hellos.len() >= 7, "{name}");
        for pair in hellos.windows(2) {
            assert!(lines[pair[1]].0 - lines[pair[0]].0 <= 60.0, "{name}");
            let set = &lines[pair[0] + 1..=pair[0] + channels];
            assert!(set.iter().all(|l| l.1.starts_with(b"C ")), "{name}");
        }
        follow(&lines);
    }
}

#[test]
fn same_seed_gives_the_same_bytes_however_it_is_asked_for() {
    for seed in [1, 2] {
        let whole = lines_until(&mut SimBoard::new(Scenario::random(seed)), 3000.0);
        let mut board = SimBoard::new(Scenario::random(seed));
        let mut pieces = Vec::new();
        let mut until_s = 0.0;
        while until_s < 3000.0 {
            until_s = f64::min(until_s + 0.37, 3000.0);
            pieces.extend(lines_until(&mut board, until_s));
        }
        assert_eq!(whole, pieces);
    }
    let other = lines_until(&mut SimBoard::new(Scenario::random(3)), 60.0);
    assert_ne!(
        other,
        lines_until(&mut SimBoard::new(Scenario::random(4)), 60.0)
    );
}

#[test]
fn zero_is_subtracted_as_squares_and_lost_at_boot() {
    let scenario = Scenario::by_name("offset", 1).unwrap();
    let (mut plain, mut zeroed) = (SimBoard::new(scenario.clone()), SimBoard::new(scenario));
    lines_until(&mut plain, 20.0);
    let before = lines_until(&mut zeroed, 20.0);
    let zero = amps(&before).last().copied().unwrap();
    assert!(zero > 0.3, "the pick-up is there: {zero}");
    zeroed.host_says(line("Z 0").to_string().as_bytes());
    let plain = amps(&lines_until(&mut plain, 500.0));
    let lines = lines_until(&mut zeroed, 500.0);
    assert!(
        lines
            .iter()
            .any(|l| l.1.starts_with(b"A ") && l.1.windows(5).any(|w| w == b" Z ok"))
    );
    let zeroed_a = amps(&lines);
    assert_eq!(plain.len(), zeroed_a.len());
    for (p, z) in plain.iter().zip(&zeroed_a) {
        let expected = (p * p - zero * zero).max(0.0).sqrt();
        let rounding = 0.0006 * (p + zero) / z.max(0.02) + 0.0006;
        assert!((z - expected).abs() < rounding, "{p} {z} {expected}");
    }
    zeroed.reset("external");
    let after = amps(&lines_until(&mut zeroed, 1200.0));
    let floor = after.iter().copied().fold(f64::INFINITY, f64::min);
    assert!(floor > 0.3, "{floor}");
}

fn amps(lines: &[(f64, Vec<u8>)]) -> Vec<f64> {
    let samples =
        lines.iter().filter_map(
            |l| match decode(l.1.strip_suffix(b"\n").unwrap()).unwrap() {
                Record::Sample(s) => Some(s),
                _ => None,
            },
        );
    samples
        .map(|s| match s.readings[0] {
            nightclamp_protocol::Reading::Number(n) => f64::from(n) / 1000.0,
            other => panic!("{other:?}"),
        })
        .collect()
}

#[test]
fn commands_are_answered_as_they_should() {
    let mut board = SimBoard::new(Scenario::by_name("demo", 1).unwrap());
    lines_until(&mut board, 1.05);
    let table = [
        ("?", ""),
        ("P 500", "P ok"),
        ("P 19", "P no range"),
        ("P 60001", "P no range"),
        ("P 0100", "P no malformed"),
        ("P", "P no malformed"),
        ("Z 0", "Z ok"),
        ("Z 1", "Z no not-a-current"),
        ("Z 9", "Z no no-such-channel"),
        ("Z x", "Z no malformed"),
        ("Q 1", "Q no unknown"),
        ("P 500 1", "P no malformed"),
    ];
    for (asked, answer) in table {
        board.host_says(line(asked).to_string().as_bytes());
        let now_s = board.now_s();
        let said: Vec<String> = lines_until(&mut board, now_s)
            .iter()
            .map(|l| String::from_utf8_lossy(&l.1).into_owned())
            .collect();
        let found = said
            .iter()
            .any(|s| s.starts_with("A ") && s.contains(&format!(" {answer}~")));
        assert!(answer.is_empty() || found, "{asked}: {said:?}");
        let hello = said.iter().any(|s| s.starts_with("H 1 7f3a91c2 17 6 "));
        assert_eq!(hello, asked == "?" || asked == "P 500", "{asked}: {said:?}");
    }
    // A damaged command and noise are passed over.
    board.host_says(b"? ~0000\n\xff\xff\n?~\n");
    assert!(lines_until(&mut board, 1.1).is_empty());
    let later = lines_until(&mut board, 4.0);
    assert_eq!(
        later.iter().filter(|l| l.1.starts_with(b"S ")).count(),
        5,
        "the period is 500 ms now"
    );
}

#[test]
fn a_new_period_is_announced_as_such() {
    let mut board = SimBoard::new(Scenario::by_name("steady", 1).unwrap());
    let mut lines = lines_until(&mut board, 10.0);
    board.host_says(line("P 1000").to_string().as_bytes());
    lines.extend(lines_until(&mut board, 30.0));
    let mut session = Session::new();
    let changes: Vec<TableChange> = lines
        .iter()
        .filter_map(|(at_s, l)| {
            let record = decode(l.strip_suffix(b"\n").unwrap()).unwrap();
            match session.accept(&record, (at_s * 1e6) as i64) {
                Outcome::TableBegun(change) => Some(change),
                _ => None,
            }
        })
        .collect();
    assert_eq!(changes, [TableChange::First, TableChange::NewPeriod]);
}

#[test]
fn damage_is_as_much_as_the_truth_says() {
    let mut board = SimBoard::new(Scenario::by_name("rough-line", 1).unwrap());
    let mut arrivals = Arrivals::calm(1);
    let mut log = Vec::new();
    write_raw_log(&mut board, 0, 4.0 * 3600.0, &mut arrivals, &mut log, false).unwrap();
    let mut good = 0;
    for line in log.split(|&b| b == b'\n').filter(|l| l.starts_with(b"@")) {
        let body = line.splitn(2, |&b| b == b' ').nth(1).unwrap();
        good += u64::from(matches!(decode(body), Ok(Record::Sample(_))));
    }
    let boots = &board.truth().boots;
    let sum = |of: fn(&nightclamp_simboard::BootTruth) -> u64| boots.iter().map(of).sum::<u64>();
    let (sent, damaged, unsent) = (sum(|b| b.sent), sum(|b| b.damaged), sum(|b| b.unsent));
    assert_eq!(sent + damaged + unsent, sum(|b| b.samples));
    assert!(unsent >= 1000 && damaged > 500, "{unsent} {damaged}");
    // A lost LF takes the next line with it; nothing that was damaged comes out good, or hardly.
    let spoiled = damaged + sum(|b| b.damaged_others);
    assert!(
        good <= sent && good + spoiled >= sent,
        "{good} of {sent}, {spoiled} spoiled"
    );
}

#[test]
fn raw_log_has_the_recorders_notes_and_stamps_by_the_hosts_clock() {
    let spec = ArrivalsSpec {
        steps: vec![(200.0, -3_600_000_000)],
        away: vec![Away {
            from_s: 300.0,
            to_s: 340.0,
            host_rebooted: true,
        }],
        ..Arrivals::random(7, 1.0).spec().clone()
    };
    let mut board = SimBoard::new(Scenario::by_name("steady", 1).unwrap());
    let mut log = Vec::new();
    let from_us = 1_795_629_600_000_000;
    let summary = write_raw_log(
        &mut board,
        from_us,
        400.0,
        &mut Arrivals::new(spec),
        &mut log,
        true,
    )
    .unwrap();
    let text = String::from_utf8(log).unwrap();
    let lines: Vec<&str> = text.lines().collect();
    assert!(
        lines[0].starts_with(&format!("#{from_us} began wall={from_us} boot=")),
        "{}",
        lines[0]
    );
    assert!(lines[1].contains(" started version="));
    assert_eq!(lines.iter().filter(|l| l.contains(" started ")).count(), 2);
    assert_eq!(lines.iter().filter(|l| l.ends_with(" stopped")).count(), 2);
    assert!(lines.iter().any(|l| l.ends_with("host-boot=simhost-2")));
    assert!(summary.missed > 350 && summary.lines > 3500, "{summary:?}");
    let stamps: Vec<i64> = lines.iter().map(|l| l[1..17].parse().unwrap()).collect();
    let back: Vec<_> = stamps.windows(2).filter(|w| w[1] < w[0]).collect();
    assert_eq!(back.len(), 1, "only the step goes back: {back:?}");
    assert!((back[0][0] - back[0][1] - 3_600_000_000).abs() < 10_000_000);
}

#[test]
fn job_file_names_what_is_wired() {
    let demo = job_toml(&Scenario::by_name("demo", 1).unwrap());
    for key in [
        "current = \"common\"",
        "case = \"case\"",
        "supply = \"supply\"",
        "opens_c = 120.0",
    ] {
        assert!(demo.contains(key), "{key}");
    }
    let appliance = job_toml(&Scenario::by_name("appliance", 1).unwrap());
    assert!(appliance.contains("clamp_on = \"appliance\"") && !appliance.contains("demand"));
}
