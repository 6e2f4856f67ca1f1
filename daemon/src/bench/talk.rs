//! What a person types at the bench, understood by what the test waits for.

use nightclamp_analysis::bench::{ACTS, Act, Guidance};
use nightclamp_web::bench::said::{self, Not};
use nightclamp_web::hand::Said;

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
            if self.by.is_none() && now.acts.contains(&act) {
                return Typed::Not("who are you? Type: by YOUR NAME".to_owned());
            }
            return taken(said::act(act, self.name(), now));
        }
        if let Some(name) = text.strip_prefix("by ") {
            return match said::name(name) {
                Ok(name) => Typed::Name(name.to_owned()),
                Err(not) => Typed::Not(not.why),
            };
        }
        if let Some(text) = text.strip_prefix("mark ") {
            return taken(said::mark(text));
        }
        if now.acts.contains(&Act::Acknowledged) {
            return taken(said::acknowledged(text, now));
        }
        if now.asks.is_none() {
            let why = format!("\"{text}\" means nothing now, and no reading is asked for");
            return Typed::Not(why);
        }
        taken(said::reading(&self.unit, None, text, self.name(), now))
    }

    fn name(&self) -> &str {
        self.by.as_deref().unwrap_or_default()
    }
}

fn taken(said: Result<Said, Not>) -> Typed {
    said.map_or_else(|not| Typed::Not(not.why), Typed::Said)
}

/// All that can ever be typed, for help.
pub fn help() -> String {
    let acts = ACTS.iter().filter(|act| **act != Act::Acknowledged);
    let acts = acts.map(|act| format!("{:<8} {}", act.as_str(), act.words()));
    let more = [
        "by NAME  who is at the bench from now on".to_owned(),
        "mark TEXT  a note for the record".to_owned(),
    ];
    acts.chain(more).collect::<Vec<_>>().join("\n")
}
