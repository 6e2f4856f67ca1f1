//! What must not matter to the rows: how the log is cut, when the night was, what other boards say. And what a gap may do.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // tests stop where something is wrong

use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_analysis::rows::{EndedBy, EventKind};
use nightclamp_tests::{Night, Rows, night, projected};
use proptest::prelude::*;

fn demo(seed: u64) -> Night {
    night("demo", seed, 5.0, true).expect("a known scenario")
}

fn lines(raw: &[u8]) -> Vec<&[u8]> {
    raw.split_inclusive(|byte| *byte == b'\n').collect()
}

/// Adds to every stamp, and to every reading of the host's clocks in the notes.
fn shifted(raw: &[u8], by_us: i64) -> Vec<u8> {
    let mut out = Vec::new();
    for line in lines(raw) {
        let text = String::from_utf8_lossy(line);
        let (stamp, rest) = text.split_once(' ').expect("a stamp");
        let us: i64 = stamp[1..].parse().expect("a number");
        let rest = match rest.split_once("wall=") {
            Some((before, after)) if stamp.starts_with('#') => {
                let (wall, after) = after.split_once(' ').expect("more");
                format!(
                    "{before}wall={} {after}",
                    wall.parse::<i64>().expect("a number") + by_us
                )
            }
            _ => rest.to_owned(),
        };
        out.extend_from_slice(format!("{}{} ", &stamp[..1], us + by_us).as_bytes());
        out.extend_from_slice(rest.as_bytes());
    }
    out
}

fn moved(mut rows: Rows, by_us: i64) -> Rows {
    for sample in rows.samples.values_mut().flatten() {
        sample.0 += by_us;
        sample.1 += by_us;
    }
    for event in rows.events.values_mut().flatten() {
        event.time += by_us;
    }
    for cycle in rows.cycles.values_mut().flatten() {
        cycle.on_at += by_us;
        cycle.off_at = cycle.off_at.map(|at| at + by_us);
        cycle.next_on_at = cycle.next_on_at.map(|at| at + by_us);
    }
    rows
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 6, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_log_cut_anywhere_and_continued_gives_the_same_rows(seed in 1u64..4, cuts in prop::collection::vec(0.0..1.0f64, 1..6)) {
        let Night { job, raw } = demo(seed);
        let whole = projected(&job, &[(0, &raw)]).expect("good");
        let ends: Vec<usize> = lines(&raw).iter().scan(0, |at, line| { *at += line.len(); Some(*at) }).collect();
        let mut at: Vec<usize> = cuts.iter().map(|cut| ends[(cut * ends.len() as f64) as usize]).collect();
        at.extend([0, raw.len()]);
        at.sort_unstable();
        let pieces: Vec<(usize, &[u8])> = at.windows(2).map(|cut| (0, &raw[cut[0]..cut[1]])).collect();
        prop_assert!(projected(&job, &pieces).expect("good") == whole, "other rows when cut");
    }

    #[test]
    fn another_day_changes_nothing_but_the_times(seed in 1u64..4, days in -9_000i64..9_000, odd_us in 0i64..86_400_000_000) {
        let Night { job, raw } = demo(seed);
        let by_us = days * 86_400_000_000 + odd_us;
        let whole = projected(&job, &[(0, &raw)]).expect("good");
        let later = projected(&job, &[(0, &shifted(&raw, by_us))]).expect("good");
        prop_assert!(later == moved(whole, by_us), "other rows on another day");
    }

    #[test]
    fn a_gap_never_invents_a_trip(seed in 1u64..4, gaps in prop::collection::vec((0.0..1.0f64, 1usize..9_000), 1..8)) {
        let Night { job, raw } = demo(seed);
        let all = lines(&raw);
        let mut kept = vec![true; all.len()];
        for (at, length) in gaps {
            let begin = (at * all.len() as f64) as usize;
            kept.iter_mut().skip(begin).take(length).for_each(|keep| *keep = false);
        }
        let holed: Vec<u8> = all.iter().zip(kept).filter(|(line, keep)| *keep || line[0] == b'#').flat_map(|(line, _)| line.to_vec()).collect();
        let trips = |rows: &Rows| -> Vec<i64> {
            let cycles = rows.cycles["freezer"].iter();
            cycles.filter(|c| c.ended_by == Some(EndedBy::Protector)).filter_map(|c| c.off_at).collect()
        };
        let whole = trips(&projected(&job, &[(0, &raw)]).expect("good"));
        for trip in trips(&projected(&job, &[(0, &holed)]).expect("good")) {
            prop_assert!(whole.iter().any(|real| (real - trip).abs() < 6_000_000), "a trip at {trip} that never was");
        }
    }
}

/// The raw log from which a row of the overview is being made must not be removed meanwhile, also before any on-period has begun.
#[test]
fn a_row_of_the_overview_that_has_begun_still_needs_its_first_sample() {
    let Night { job, raw } = night("steady", 1, 0.2, false).expect("a known scenario");
    let mut heart = Projection::new(Job::parse(&job, "job.toml").expect("good"));
    let (mut begun, mut rows) = (0, Rows::default());
    for piece in lines(&raw).chunks(7) {
        heart.feed(0, &piece.concat(), &mut rows);
        let mut is_alone = true;
        heart.open_rows(|_, events, cycles| is_alone &= events.is_empty() && cycles.is_empty());
        let mut first = None;
        heart.open_overviews(|_, row| first = Some(row.first));
        let needed = heart.unsettled_from(0);
        if let Some(first) = first {
            assert!(
                needed.is_some_and(|from| from <= first),
                "{needed:?} and {first}"
            );
            begun += usize::from(is_alone);
        }
    }
    assert!(begun > 100, "only {begun} times nothing else was open");
}

#[test]
fn boards_side_by_side_do_not_change_each_other() {
    let (one, other) = (demo(1), demo(2));
    let second = |text: &[u8]| -> Vec<u8> { text.to_vec() };
    let Night { job, raw } = &one;
    let alone = projected(job, &[(0, raw)]).expect("good");
    // The other stream's board has the same id in the simulator: give it another by its own hello.
    let other = renamed(&second(&other.raw));
    for order in [[0, 1], [1, 0]] {
        let pieces: Vec<(usize, &[u8])> = order
            .iter()
            .map(|&stream| (stream, if stream == 0 { &raw[..] } else { &other[..] }))
            .collect();
        let both = projected(job, &pieces).expect("good");
        assert_eq!(both.cycles, alone.cycles);
        assert_eq!(both.events.get("freezer"), alone.events.get("freezer"));
        assert_eq!(
            both.events.get("board-7f3a91c2"),
            alone.events.get("board-7f3a91c2")
        );
        assert_eq!(both.samples.len(), 2);
    }
    assert!(
        alone.events["freezer"]
            .iter()
            .any(|e| e.kind == EventKind::Trip)
    );
}

fn renamed(raw: &[u8]) -> Vec<u8> {
    let mut out = Vec::new();
    for line in lines(raw) {
        let text = String::from_utf8_lossy(line);
        match text.split_once(" H 1 7f3a91c2 ") {
            Some((stamp, rest)) if stamp.starts_with('@') => {
                let rest = rest.split('~').next().expect("a body");
                let hello = nightclamp_protocol::line(format!("H 1 00c0ffee {rest}"));
                out.extend_from_slice(format!("{stamp} {hello}").as_bytes());
            }
            _ => out.extend_from_slice(line),
        }
    }
    out
}
