//! What a person at the bench can say, understood by what the test waits for: the one place for terminal and page.

use nightclamp_analysis::bench::{Act, Guidance};
use nightclamp_analysis::reading::{Reading, Refused};

use crate::hand::{Done, MARK_CHARS_MAX, Mark, Said};

/// Not taken down.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Not {
    /// What it is about: a key of the page's bodies.
    pub field: &'static str,
    /// Why, in words.
    pub why: String,
    /// It would mean something in another step.
    pub is_untimely: bool,
}

impl Not {
    fn unfit(field: &'static str, why: impl Into<String>) -> Self {
        Self {
            field,
            why: why.into(),
            is_untimely: false,
        }
    }

    fn untimely(field: &'static str, why: impl Into<String>) -> Self {
        Self {
            is_untimely: true,
            ..Self::unfit(field, why)
        }
    }
}

/// The name of somebody at the bench, as it is to stand in the record: nothing that slips from a finger.
///
/// # Errors
/// It is none.
pub fn name(by: &str) -> Result<&str, Not> {
    let by = by.trim();
    let is_one = by.chars().filter(|c| c.is_alphabetic()).count() >= 2
        && !["ok", "yes", "no"].contains(&by.to_ascii_lowercase().as_str());
    if !is_one {
        return Err(Not::unfit(
            "by",
            "your name is needed, as it is to stand in the record",
        ));
    }
    match Done::new(Act::Done, by) {
        Some(_) => Ok(by),
        None => Err(Not::unfit(
            "by",
            "a name of at most 60 characters on one line is needed",
        )),
    }
}

/// An act other than acknowledging the cautions, by somebody.
///
/// # Errors
/// It means nothing now, or nobody says who does it.
pub fn act(act: Act, by: &str, now: &Guidance) -> Result<Said, Not> {
    if !now.acts.contains(&act) {
        let (act, step) = (act.as_str(), now.step.as_str());
        return Err(Not::untimely(
            "act",
            format!("\"{act}\" means nothing now: the test is at {step}"),
        ));
    }
    done(act, name(by)?)
}

/// All cautions have been read by somebody.
///
/// # Errors
/// They were acknowledged before, or nobody says who does.
pub fn acknowledged(by: &str, now: &Guidance) -> Result<Said, Not> {
    act(Act::Acknowledged, by, now)
}

fn done(act: Act, by: &str) -> Result<Said, Not> {
    let done = Done::new(act, by).ok_or_else(|| Not::unfit("by", "that cannot be a name"))?;
    Ok(Said::Bench(done))
}

/// What the ohmmeter shows, where it is asked for; `what` it is meant to be, if the person says that.
///
/// # Errors
/// No reading is asked for, or another, or it is none.
pub fn reading(
    unit: &str,
    what: Option<&str>,
    value: &str,
    by: &str,
    now: &Guidance,
) -> Result<Said, Not> {
    let Some(asked) = now.asks else {
        let why = format!(
            "no reading is asked for now: the test is at {}",
            now.step.as_str()
        );
        return Err(Not::untimely("value", why));
    };
    if what.is_some_and(|what| what != asked.as_str()) {
        let why = format!("another reading is asked for now: {}", asked.as_str());
        return Err(Not::untimely("what", why));
    }
    let reading = Reading::new(unit, asked.as_str(), value, by).map_err(|why| {
        let field = if why == Refused::By { "by" } else { "value" };
        Not::unfit(field, why.to_string())
    })?;
    Ok(Said::Reading(reading))
}

/// Something that happened.
///
/// # Errors
/// It is nothing, or too long.
pub fn mark(text: &str) -> Result<Said, Not> {
    let mark = Mark::new(text);
    let why = || format!("a mark is 1 to {MARK_CHARS_MAX} characters");
    mark.map(Said::Mark)
        .ok_or_else(|| Not::unfit("text", why()))
}
