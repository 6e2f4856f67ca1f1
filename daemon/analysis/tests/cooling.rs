//! When a protector will close again, foretold from its case's cooling: how often the 95 % intervals hold.
//!
//! `--nocapture` prints how often, how wide the intervals are, and how often nothing can be foreseen. `COOLINGS=5000` tries more.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test says so by panicking

use nightclamp_analysis::protector::{Cooling, Disc, Heating, Interval};
use nightclamp_simboard::dice::Dice;

/// Coolings of each kind unless told otherwise.
const COOLINGS: usize = 400;
/// Sample period, s.
const PERIOD_S: f64 = 0.5;
/// A cooling is followed up to here, s.
const END_S: f64 = 3600.0;
/// Questions are asked so long after the opening, s.
const ASKED_S: [f64; 5] = [30.0, 60.0, 120.0, 200.0, 320.0];

fn normal(dice: &mut Dice) -> f64 {
    (-2.0 * (1.0 - dice.unit()).ln()).sqrt() * (std::f64::consts::TAU * dice.unit()).cos()
}

/// A cooling as it really was: the case at every sample, the disc at the opening, and when it closed.
struct Cooled {
    case_c: Vec<f64>,
    disc_c: f64,
    tau_s: f64,
    /// Closing temperature as given, Cel and ± K, and as it is.
    closes: (f64, f64),
    closes_at_c: f64,
    closed_s: Option<f64>,
    noise_c: f64,
    /// The bead's last digit, K.
    digit_c: f64,
}

/// An exponential, as the law has it.
fn exponential(dice: &mut Dice) -> Cooled {
    let (end_c, theta_s) = (dice.between(20.0, 55.0), dice.between_decades(30.0, 600.0));
    let begin_c = dice.between(70.0, 95.0);
    let case = |t: f64| end_c + (begin_c - end_c) * (-t / theta_s).exp();
    follow(dice, case)
}

/// Case on a shell that first warms (soak) and then cools slowly, heated by its own disc.
fn shell(dice: &mut Dice) -> Cooled {
    let room_c = dice.between(18.0, 35.0);
    let shell_c = dice.between(40.0, 75.0);
    let soak_c = dice.between(0.0, 12.0);
    let (soak_s, shell_s) = (
        dice.between(40.0, 150.0),
        dice.between_decades(600.0, 3000.0),
    );
    let (case_s, share) = (dice.between(50.0, 200.0), dice.between(0.1, 0.4));
    let shell = |t: f64| {
        room_c
            + (shell_c - room_c) * (-t / shell_s).exp()
            + soak_c * (t / soak_s) * (1.0 - t / soak_s).exp()
    };
    let tau_s = dice.between_decades(8.0, 45.0);
    let begin_c = dice.between(105.0, 125.0);
    let (mut disc_c, mut case_c) = (begin_c, shell_c + dice.between(0.0, 10.0));
    let mut cases = Vec::new();
    for i in 0..(END_S / 0.05) as usize {
        if i % (PERIOD_S / 0.05) as usize == 0 {
            cases.push(case_c);
        }
        let over_c = disc_c - case_c;
        case_c += (share * over_c / tau_s + (shell(i as f64 * 0.05) - case_c) / case_s) * 0.05;
        disc_c -= over_c / tau_s * 0.05;
    }
    let at = |t: f64| cases[((t / PERIOD_S) as usize).min(cases.len() - 1)];
    let mut cooled = follow(dice, at);
    (cooled.tau_s, cooled.disc_c) = (tau_s, begin_c);
    cooled.close();
    cooled
}

fn follow(dice: &mut Dice, case: impl Fn(f64) -> f64) -> Cooled {
    let closes: (f64, f64) = (dice.between(52.0, 72.0), [0.0, 3.0, 9.0][dice.below(3)]);
    let mut cooled = Cooled {
        case_c: (0..(END_S / PERIOD_S) as usize)
            .map(|i| case(i as f64 * PERIOD_S))
            .collect(),
        disc_c: dice.between(105.0, 125.0),
        tau_s: dice.between_decades(8.0, 45.0),
        closes,
        closes_at_c: closes.0 + closes.1 * dice.between(-1.0, 1.0),
        closed_s: None,
        noise_c: dice.between(0.02, 0.2),
        digit_c: [0.01, 0.0625, 0.25][dice.below(3)],
    };
    cooled.close();
    cooled
}

impl Cooled {
    /// Finds when it closes.
    fn close(&mut self) {
        let closes_c = self.closes_at_c;
        let heating = Heating::new(1.0, self.tau_s).unwrap();
        let mut disc_c = self.disc_c;
        self.closed_s = None;
        for (i, pair) in self.case_c.windows(2).enumerate() {
            let next_c = heating.carried_c(disc_c, 0.0, (pair[0] + pair[1]) / 2.0, PERIOD_S);
            if next_c <= closes_c {
                let share = (disc_c - closes_c) / (disc_c - next_c);
                self.closed_s = Some((i as f64 + share) * PERIOD_S);
                return;
            }
            disc_c = next_c;
        }
    }
}

/// What is known of the disc when it opens.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Known {
    Model,
    Opening,
}

fn cooling(cooled: &Cooled, known: Known, dice: &mut Dice) -> Cooling {
    match known {
        Known::Model => {
            let heating = Heating::new(1.0, cooled.tau_s).unwrap();
            let disc = Disc::at(heating.into(), cooled.disc_c + normal(dice), 1.0);
            Cooling::of_disc(&disc, 0.0, 1.0)
        }
        Known::Opening => Cooling::opened(Some((cooled.disc_c + dice.between(-5.0, 5.0), 5.0))),
    }
}

/// The answers to all questions, each with when it really closed from then, 0 if it had.
fn answers(cooled: &Cooled, known: Known, dice: &mut Dice) -> Vec<(Option<Interval>, Option<f64>)> {
    let mut cooling = cooling(cooled, known, dice);
    let mut answers = Vec::new();
    let mut asked = ASKED_S.iter().peekable();
    for (i, case_c) in cooled.case_c.iter().enumerate() {
        let now_s = i as f64 * PERIOD_S;
        let read_c =
            ((case_c + cooled.noise_c * normal(dice)) / cooled.digit_c).round() * cooled.digit_c;
        cooling.push(now_s, read_c);
        if asked.next_if(|&&s| s <= now_s).is_some() {
            let left_s = cooled.closed_s.map(|s| (s - now_s).max(0.0));
            answers.push((
                cooling.recloses_in(cooled.closes.0, cooled.closes.1),
                left_s,
            ));
        }
    }
    answers
}

#[derive(Default)]
struct Tally {
    asked: usize,
    foreseen: usize,
    held: usize,
    early: usize,
    widths: Vec<f64>,
}

impl Tally {
    fn add(&mut self, answer: Option<Interval>, left_s: Option<f64>) {
        // That it is over long ago is no prophecy.
        let is_over = left_s == Some(0.0) && answer.is_none_or(|i| i.to_s == 0.0);
        if is_over {
            return;
        }
        self.asked += 1;
        let Some(i) = answer else { return };
        assert!(
            i.from_s >= 0.0 && i.from_s <= i.likely_s && i.likely_s <= i.to_s,
            "{i:?}"
        );
        self.foreseen += 1;
        // Closed within the last half second of an interval, or of what is already over: the disc's step.
        let left_s = left_s.unwrap_or(f64::INFINITY);
        self.held += usize::from((i.from_s - PERIOD_S..=i.to_s + PERIOD_S).contains(&left_s));
        self.early += usize::from(left_s < i.from_s - PERIOD_S);
        self.widths.push(i.to_s - i.from_s);
    }

    fn held_share(&self) -> f64 {
        self.held as f64 / self.foreseen as f64
    }
}

fn tally(what: &str, draw: fn(&mut Dice) -> Cooled, known: Known) -> Tally {
    let count = std::env::var("COOLINGS").map_or(COOLINGS, |n| n.parse().expect("a number"));
    let mut dice = Dice::new(0xc001);
    let mut by_time: [Tally; ASKED_S.len()] = Default::default();
    let mut all = Tally::default();
    for _ in 0..count {
        let cooled = draw(&mut dice);
        for (tally, (answer, left_s)) in by_time.iter_mut().zip(answers(&cooled, known, &mut dice))
        {
            tally.add(answer, left_s);
            all.add(answer, left_s);
        }
    }
    println!(
        "\n{what}, {known:?} known: {:.1} % of {} held, {} closed too early",
        100.0 * all.held_share(),
        all.foreseen,
        all.early
    );
    for (t, at_s) in by_time.iter_mut().zip(ASKED_S) {
        t.widths.sort_by(f64::total_cmp);
        let width_s = t
            .widths
            .get(t.widths.len() / 2)
            .copied()
            .unwrap_or(f64::NAN);
        println!(
            "  asked after {at_s:3} s: foreseen {:3} of {}, held {:5.1} %, half of them within {width_s:.0} s",
            t.foreseen,
            t.asked,
            100.0 * t.held_share()
        );
    }
    all
}

#[test]
fn intervals_hold_about_as_often_as_they_say() {
    for (what, draw, least) in [
        (
            "an exponential",
            exponential as fn(&mut Dice) -> Cooled,
            0.94,
        ),
        ("a shell that soaks and cools", shell, 0.92),
    ] {
        for known in [Known::Model, Known::Opening] {
            let all = tally(what, draw, known);
            assert!(
                all.held_share() >= least,
                "{what}, {known:?}: {} of {}",
                all.held,
                all.foreseen
            );
            assert!(
                all.foreseen * 5 >= all.asked * 2,
                "{what}, {known:?}: hardly anything is foreseen"
            );
        }
    }
}

#[test]
fn a_case_that_warms_foresees_nothing() {
    let mut cooling = Cooling::opened(Some((120.0, 5.0)));
    for i in 0..600 {
        cooling.push(f64::from(i), 60.0 + 0.05 * f64::from(i));
        assert_eq!(cooling.recloses_in(61.0, 9.0), None);
    }
    // One that stands still is none that cools, and one that ends above the closing never gets there.
    let mut still = Cooling::opened(Some((120.0, 5.0)));
    let mut hot = Cooling::opened(Some((120.0, 5.0)));
    for i in 0..600 {
        still.push(f64::from(i), 80.0 + if i % 2 == 0 { 0.05 } else { -0.05 });
        hot.push(
            f64::from(i),
            80.0 + 20.0 * (-f64::from(i) / 90.0).exp() + 0.03 * f64::from(i % 3),
        );
    }
    assert_eq!(still.recloses_in(61.0, 2.0), None);
    assert_eq!(hot.recloses_in(61.0, 2.0), None);
}

#[test]
fn spikes_and_nonsense_change_little() {
    let heating = Heating::new(1.0, 15.0).unwrap();
    let ask = |spikes: bool| {
        let mut cooling = Cooling::of_disc(&Disc::at(heating.into(), 115.0, 1.0), 0.0, 1.0);
        for i in 0..600 {
            let t = f64::from(i) * 0.2;
            if spikes && i % 37 == 5 {
                cooling.push(t - 5.0, 20.0);
                cooling.push(t, 900.0);
            } else if spikes && i % 41 == 7 {
                cooling.push(t, f64::NAN);
                cooling.push(f64::NAN, 40.0);
            } else {
                cooling.push(
                    t,
                    30.0 + 60.0 * (-t / 150.0).exp() + 0.05 * f64::from(i % 5 - 2),
                );
            }
        }
        cooling.recloses_in(45.0, 1.0).expect("it is foreseen")
    };
    let (clean, spiked) = (ask(false), ask(true));
    assert!(
        (clean.likely_s - spiked.likely_s).abs() < 0.1 * clean.likely_s,
        "{clean:?}, {spiked:?}"
    );
}
