//! What a person types at the bench, understood by what the test waits for.

use nightclamp_analysis::bench::{ACTS, Act, Guidance};
use nightclamp_analysis::reading::Reading;
use nightclamp_web::hand::{Done, Mark, Said};

/// What a typed line comes to.
#[derive(Debug, PartialEq)]
pub enum Typed {
    /// Nothing was typed.
    Nothing,
    /// A note for the record.
    Said(Said),
    /// From now on this is who types.
    Name(String),
    /// The switch of an invented bench.
    Switch(bool),
    /// Not understood, or not now; in words.
    Not(String),
}

/// Who types, and of what.
#[derive(Debug)]
pub struct Talk {
    /// The compressor's name in the plan.
    pub unit: String,
    /// Who is at the bench, as he said.
    pub by: Option<String>,
    /// On and off are the person's switch.
    pub is_simulated: bool,
}

impl Talk {
    /// Understands a line, with what is waited for.
    pub fn typed(&self, line: &str, now: &Guidance) -> Typed {
        let text = line.trim();
        let word = text.to_ascii_lowercase();
        match word.as_str() {
            "" => return Typed::Nothing,
            "on" | "off" if self.is_simulated => return Typed::Switch(word == "on"),
            _ => {}
        }
        if let Some(act) = Act::named(&word).filter(|act| *act != Act::Acknowledged) {
            return self.act(act, now);
        }
        if let Some(name) = text.strip_prefix("by ") {
            return named(name);
        }
        if let Some(text) = text.strip_prefix("mark ") {
            return Mark::new(text).map_or_else(
                || not("a mark is 1 to 160 characters"),
                |mark| Typed::Said(Said::Mark(mark)),
            );
        }
        if now.acts.contains(&Act::Acknowledged) {
            return acknowledged(text);
        }
        match now.asks {
            Some(what) => Reading::new(&self.unit, what.as_str(), text, self.name()).map_or_else(
                |why| not(&why.to_string()),
                |reading| Typed::Said(Said::Reading(reading)),
            ),
            None => not(&format!(
                "\"{text}\" means nothing now, and no reading is asked for"
            )),
        }
    }

    fn name(&self) -> &str {
        self.by.as_deref().unwrap_or_default()
    }

    fn act(&self, act: Act, now: &Guidance) -> Typed {
        if !now.acts.contains(&act) {
            return not(&format!("\"{}\" means nothing now", act.as_str()));
        }
        Done::new(act, self.name()).map_or_else(
            || not("who are you? Type: by YOUR NAME"),
            |done| Typed::Said(Said::Bench(done)),
        )
    }
}

/// The cautions are acknowledged by a name, and by nothing that slips from a finger.
fn acknowledged(name: &str) -> Typed {
    if name.chars().filter(|c| c.is_alphabetic()).count() < 2 || ["ok", "yes", "no"].contains(&name)
    {
        return not("your name is needed, as it is to stand in the record");
    }
    Done::new(Act::Acknowledged, name).map_or_else(
        || not("a name of at most 60 characters is needed"),
        |done| Typed::Said(Said::Bench(done)),
    )
}

fn named(name: &str) -> Typed {
    match Done::new(Act::Done, name) {
        Some(_) => Typed::Name(name.trim().to_owned()),
        None => not("a name of at most 60 characters is needed"),
    }
}

fn not(why: &str) -> Typed {
    Typed::Not(why.to_owned())
}

/// All that can ever be typed, for help.
pub fn help() -> String {
    let acts = ACTS
        .iter()
        .filter(|act| **act != Act::Acknowledged)
        .map(|act| match act {
            Act::ByHand => "by-hand  the current ended, or ends now, by your switch",
            Act::Skip => "skip     the reading that is asked for is not taken",
            Act::Abort => "abort    stops the test; what runs counts for nothing",
            Act::Resume => "resume   goes on with the repeat that was due",
            Act::Done | Act::Acknowledged => "done     the test is over, finished or not",
        });
    let more = [
        "by NAME  who is at the bench from now on",
        "mark TEXT  a note for the record",
    ];
    acts.chain(more).collect::<Vec<_>>().join("\n")
}
