//! `lookover`: looks a site over before one leaves it for the night, and says in plain words what to mend.
//!
//! Every question is asked even if an earlier one had a bad answer, as far as it can be: a list of all that is to be mended
//! saves a second way. Nothing is changed; the board is asked for its hello and nothing else.

pub mod board;
pub mod host;

use std::fmt::Write as _;
use std::path::Path;
use std::time::Duration;

use anyhow::anyhow;
use nightclamp_analysis::job::Job;

use crate::Failure;
use crate::cli::LookoverArgs;
use crate::jobfile::JobFile;
use crate::say;
use crate::text::printable;

/// How good an answer is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Grade {
    /// As it should be.
    Well,
    /// It will do; worth knowing.
    Note,
    /// To be mended before one leaves.
    Mend,
}

impl Grade {
    const fn code(self) -> &'static str {
        match self {
            Self::Well => "well",
            Self::Note => "note",
            Self::Mend => "mend",
        }
    }

    const fn word(self) -> &'static str {
        match self {
            Self::Well => "well",
            Self::Note => "note",
            Self::Mend => "MEND",
        }
    }
}

/// Questions and answers.
#[derive(Debug, Default)]
pub struct Findings(Vec<(Grade, &'static str, String)>);

impl Findings {
    /// It is as it should be.
    pub fn well(&mut self, about: &'static str, text: impl Into<String>) {
        self.0.push((Grade::Well, about, text.into()));
    }

    /// It will do; worth knowing.
    pub fn note(&mut self, about: &'static str, text: impl Into<String>) {
        self.0.push((Grade::Note, about, text.into()));
    }

    /// It is to be mended, and the text says how.
    pub fn mend(&mut self, about: &'static str, text: impl Into<String>) {
        self.0.push((Grade::Mend, about, text.into()));
    }

    /// As the set-up page shows them.
    pub fn into_list(self) -> Vec<nightclamp_web::setup::Finding> {
        let finding =
            |(grade, about, text): (Grade, &str, String)| nightclamp_web::setup::Finding {
                grade: grade.code(),
                about: about.to_owned(),
                text: printable(&text),
            };
        self.0.into_iter().map(finding).collect()
    }

    fn to_mend(&self) -> usize {
        let mend = self.0.iter().filter(|(grade, ..)| *grade == Grade::Mend);
        mend.count()
    }

    fn text(&self) -> String {
        let mut text = String::new();
        for (grade, about, answer) in &self.0 {
            // Writing to a String cannot fail.
            writeln!(text, "{}  {about:12} {}", grade.word(), printable(answer))
                .unwrap_or_default();
        }
        text
    }

    /// The exit code's reason: something is to be mended.
    fn verdict(&self) -> Result<(), Failure> {
        match self.to_mend() {
            0 => Ok(()),
            1 => Err(Failure::CouldNot(anyhow!("one thing is to be mended"))),
            count => Err(Failure::CouldNot(anyhow!(
                "{count} things are to be mended"
            ))),
        }
    }
}

/// Runs `lookover`.
///
/// # Errors
/// A wrong call if the job file is wrong or names no port; exit code 1 if something is to be mended.
pub fn run(args: &LookoverArgs, runtime: &tokio::runtime::Runtime) -> Result<(), Failure> {
    let JobFile { job, .. } = JobFile::read_to_record(&args.job)?;
    let listen = Duration::from_secs(args.seconds);
    say::to_people(&format!(
        "Looking the site over; listening to each board for {} s. The compressor should be off, and have been for a while.",
        args.seconds
    ));
    let mut findings = Findings::default();
    host::programs(&job, &mut findings);
    let mut bytes_a_day = 0.0;
    for (board, port) in job
        .boards
        .iter()
        .filter_map(|b| Some((b, b.port.as_deref()?)))
    {
        bytes_a_day += runtime.block_on(board::look(
            &job,
            board,
            Path::new(port),
            listen,
            &mut findings,
        ));
    }
    boards_without_port(&job, &mut findings);
    host::clock(&mut findings);
    host::zone(&job, &mut findings);
    host::disk(args.out.as_deref(), bytes_a_day, &mut findings);
    say::result(findings.text().trim_end())?;
    let verdict = findings.verdict();
    if verdict.is_ok() {
        say::result("all well: it can be left")?;
    }
    verdict
}

/// Says which boards are not recorded.
pub fn boards_without_port(job: &Job, findings: &mut Findings) {
    for board in job.boards.iter().filter(|board| board.port.is_none()) {
        findings.mend(
            "port",
            format!(
                "board {}: the job file gives it no port, so it is not recorded",
                board.id
            ),
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_thing_to_mend_is_exit_code_one_and_notes_are_none() {
        let mut findings = Findings::default();
        findings.well("port", "there");
        findings.note("clock", "no battery");
        assert!(findings.verdict().is_ok());
        findings.mend("board", "says nothing");
        let code = findings.verdict().map_err(|failure| failure.exit_code());
        assert_eq!(code, Err(1));
        assert!(
            findings.text().contains("MEND  board        says nothing"),
            "{}",
            findings.text()
        );
    }
}
