//! What is wrong with a job file, in words for the person who wrote it.

use std::fmt;

/// Most problems that are told of one file; how many more there are is the last of them.
const PROBLEMS_MAX: usize = 50;

/// One thing that is wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Line of the key, from 1; for a missing key that of its table.
    pub line: usize,
    /// The key with its tables, such as `unit.protector.opens_c`; empty if the text is not TOML.
    pub key: String,
    /// What is wrong and what is allowed.
    pub what: String,
}

/// All that is wrong with one job file, in the order of its lines; never empty, and bounded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JobError {
    /// The file as the caller named it.
    pub file: String,
    /// The problems.
    pub problems: Vec<Problem>,
}

impl JobError {
    pub(super) fn new(file: &str, mut problems: Vec<Problem>) -> Self {
        problems.sort_by_key(|problem| problem.line);
        if let Some(next) = problems.get(PROBLEMS_MAX) {
            let (line, more) = (next.line, problems.len() - PROBLEMS_MAX);
            problems.truncate(PROBLEMS_MAX);
            problems.push(Problem {
                line,
                key: String::new(),
                what: format!("{more} more problems from here on; mend those above first"),
            });
        }
        Self {
            file: file.to_owned(),
            problems,
        }
    }

    /// The file is not UTF-8; `good` is what comes before.
    pub(super) fn not_text(good: &[u8], file: &str) -> Self {
        let line = 1 + good.iter().filter(|&&byte| byte == b'\n').count();
        let what = "a byte that is not UTF-8 text; save the file as UTF-8".to_owned();
        Self {
            file: file.to_owned(),
            problems: vec![Problem {
                line,
                key: String::new(),
                what,
            }],
        }
    }
}

/// One line a problem: `job.toml:14: unit.protector.opens_c: what is wrong`.
impl fmt::Display for JobError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, problem) in self.problems.iter().enumerate() {
            let newline = if index == 0 { "" } else { "\n" };
            write!(f, "{newline}{}:{}: ", self.file, problem.line)?;
            if !problem.key.is_empty() {
                write!(f, "{}: ", problem.key)?;
            }
            f.write_str(&problem.what)?;
        }
        Ok(())
    }
}

impl std::error::Error for JobError {}
