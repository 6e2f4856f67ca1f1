//! A site looked over before it is left: what is well, and what is to be mended, against boards that have what they may have.

#![allow(clippy::unwrap_used, clippy::panic)] // a test stops at the first thing that is not as it should be

mod common;

use std::fs;
use std::process::{Command, Output};

use common::process::program;
use common::{Scratch, in_real_time, job_text, plug_in};
use nightclamp_simboard::scenario::Happening;
use nightclamp_simboard::{Pty, Scenario, SensorFault};

const BOARD: u32 = 0x7f3a_91c2;

/// A board at rest: its compressor is kept from running.
fn at_rest(change: impl FnOnce(&mut Scenario)) -> Scenario {
    let mut scenario = Scenario::by_name("demo", 1).unwrap();
    scenario.board.id = BOARD;
    change(&mut scenario);
    scenario
}

/// What is said of a board of which the job file is `change`d, after `happens`; gives the exit code and the answers.
fn looked_over(
    scenario: Scenario,
    change: impl FnOnce(String) -> String,
    happens: impl FnOnce(&Pty),
) -> (Option<i32>, String) {
    let scratch = Scratch::new("lookover");
    let (job, link) = (scratch.join("job.toml"), scratch.join("port"));
    let mut scenario = scenario;
    fs::write(&job, change(job_text(&scenario, &link))).unwrap();
    let options = in_real_time(&mut scenario);
    let pty = plug_in(scenario, &link, options);
    pty.happen(Happening::Control(0, Some(false)));
    happens(&pty);
    let mut call = Command::new(program());
    call.args(["lookover", "--seconds", "5", "--out"])
        .args([&scratch.0, &job]);
    let Output {
        status,
        stdout,
        stderr,
    } = call.output().unwrap();
    let said = String::from_utf8(stdout).unwrap();
    println!("{said}{}", String::from_utf8_lossy(&stderr));
    (status.code(), said)
}

/// Answers that are to be mended, of those that are about the board: the machine under test may have its own.
fn to_mend(said: &str) -> Vec<&str> {
    let mend = said.lines().filter_map(|line| line.strip_prefix("MEND  "));
    mend.filter(|line| {
        ["port", "board", "lines", "sensors"]
            .iter()
            .any(|about| line.starts_with(about))
    })
    .collect()
}

#[test]
fn a_sound_site_is_well_in_every_answer_about_its_board() {
    let (code, said) = looked_over(at_rest(|_| {}), |job| job, |_| {});
    assert_eq!(to_mend(&said), [""; 0], "{said}");
    for well in [
        "opens",
        "7f3a91c2 answers",
        "0 damaged",
        "ppm against",
        "as idle as",
        "case ",
    ] {
        let is_said = said
            .lines()
            .any(|line| line.starts_with("well") && line.contains(well));
        assert!(is_said, "{well:?}: {said}");
    }
    // The machine itself may have something to mend: its disk may be nearly full, and what is left is said either way.
    assert!(said.contains("days at"), "{said}");
    let mends = said.lines().any(|line| line.starts_with("MEND"));
    assert_eq!(code, Some(i32::from(mends)), "{said}");
}

#[test]
fn what_is_to_be_mended_is_said_in_plain_words_and_the_exit_code_is_one() {
    type Site = (
        &'static str,
        fn(&mut Scenario),
        fn(String) -> String,
        fn(&Pty),
    );
    let same: fn(String) -> String = |job| job;
    let sound: fn(&mut Scenario) = |_| {};
    let sites: [Site; 7] = [
        ("nothing came", sound, same, |p| {
            p.happen(Happening::Mute(true))
        }),
        (
            "0000abcd is on ",
            |s| s.board.id = 0xabcd,
            |job| job.replace("0000abcd", "7f3a91c2"),
            |_| {},
        ),
        ("case (case) is open", sound, same, |p| {
            p.happen(Happening::Sensor(
                "case".to_owned(),
                SensorFault::Letter('o'),
            ));
        }),
        ("with the compressor off it is under", sound, same, |p| {
            p.happen(Happening::Control(0, Some(true)))
        }),
        (
            "damaged: a shorter",
            |s| s.board.damage_share = 0.05,
            same,
            |_| {},
        ),
        (
            "the board has no such channel",
            sound,
            |job| job.replace("case = \"case\"", "case = \"lid\""),
            |_| {},
        ),
        (
            "ppm against this machine's",
            |s| s.board.drift_ppm = 4_000.0,
            same,
            |_| {},
        ),
    ];
    std::thread::scope(|scope| {
        for (words, board, job, happens) in sites {
            scope.spawn(move || {
                let (code, said) = looked_over(at_rest(board), job, happens);
                let is_said = said
                    .lines()
                    .any(|line| line.starts_with("MEND") && line.contains(words));
                assert!(is_said, "{words:?} is not said: {said}");
                assert_eq!(code, Some(1), "{said}");
            });
        }
    });
}

#[test]
fn a_port_that_is_not_there_is_said_and_a_job_without_one_is_a_wrong_call() {
    let scratch = Scratch::new("no-port");
    let job = scratch.join("job.toml");
    let call = || {
        Command::new(program())
            .args(["lookover", "--seconds", "5"])
            .arg(&job)
            .output()
            .unwrap()
    };
    let scenario = at_rest(|_| {});
    fs::write(&job, job_text(&scenario, &scratch.join("nowhere"))).unwrap();
    let output = call();
    assert_eq!(output.status.code(), Some(1));
    assert!(
        String::from_utf8_lossy(&output.stdout).contains("is not there: is the board plugged in?")
    );
    fs::write(&job, nightclamp_simboard::job_toml(&scenario)).unwrap();
    assert_eq!(call().status.code(), Some(2));
}
